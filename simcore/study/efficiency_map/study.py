"""An efficiency map: the points of a grid, the envelope, and everything over torque and speed as arrays."""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from controllers.contract import BINDING_LIMITS
from simcore.scenario import ScenarioError
from simcore.study.efficiency_map import envelope as edge
from simcore.study.efficiency_map import load_points as loads
from simcore.study.efficiency_map.columns import OK, STATUSES, UNSTEADY, VALUES
from simcore.study.efficiency_map.efficiency import LEAST_SHARE, STAGES, efficiency
from simcore.study.efficiency_map.grid import Grid, read_grid
from simcore.study.efficiency_map.job import MapJob
from simcore.study.efficiency_map.rig import rig_document
from simcore.study.efficiency_map.window import ROUNDS
from simcore.study.points.running import all_points


@dataclass(frozen=True)
class EfficiencyMap:
    """A map: scenario as it was given, grid, points (MapPoints of grid.points), edges (EdgePoints of the envelope), told
    (sentences on what the map changed of the scenario).  Arrays have the shape (speeds, torques), NaN where nothing is known.
    """

    scenario: Any
    grid: Grid
    points: tuple
    edges: tuple
    told: tuple
    switched: bool = False
    rated: tuple | None = None
    load_points: tuple = ()
    job: Any = field(repr=False, default=None)

    def __getitem__(self, name):
        """Array (speeds, torques) of a column of map.csv; "status" has the numbers of columns.STATUSES, -1 where not asked."""
        if name in STAGES:
            return efficiency(*(self[side] for side in STAGES[name]), self.least_W)
        if name == "status":
            return self._filled([float(STATUSES.index(point.status)) for point in self.points], -1.0)
        if name not in VALUES:
            raise KeyError(name)
        return self._filled([point.told(name) for point in self.points])

    def _filled(self, numbers, elsewhere=np.nan):
        found = np.full((len(self.grid.speeds_rpm), len(self.grid.torques_Nm)), elsewhere)
        for (i, k), value in zip(self.grid.points, numbers, strict=True):
            found[i, k] = value
        return found

    @cached_property
    def least_W(self):
        """Power below which no efficiency is told [W]."""
        return LEAST_SHARE * self.job.apparent_W

    @property
    def binding_names(self):
        return dict(BINDING_LIMITS)

    @cached_property
    def stretches(self):
        """Stretches of the envelope with the limit that forms each."""
        return edge.stretches(self.edges, self.binding_names)

    def of_status(self, *statuses):
        """(statuses) => points that have one of them."""
        return tuple(point for point in self.points if point.status in statuses)

    @property
    def measured(self):
        """Points that have every number."""
        return self.of_status(OK, UNSTEADY)

    def efficiency_of(self, point, name):
        """(MapPoint, stage of efficiency.STAGES) => its efficiency, NaN where there is none."""
        return float(efficiency(*(point.told(side) for side in STAGES[name]), self.least_W))

    def scenario_at(self, point):
        """(MapPoint) => the Scenario that does the same alone: to the last bit; where heat is modelled, it computes the thermal
        steady state by itself and agrees within that."""
        ticks = round(point.simulated_s / self.job.scenario.tick_s)
        rounds = [self.job.at(*point[:2], round_) for round_ in range(ROUNDS)]
        return next((scenario for scenario in rounds if scenario.ticks == ticks), rounds[0])


def run_map(
    scenario, speed_rpm=None, torque_Nm=None, *, quadrants=None, switched=False, rated=None, executor=None, workers=None,
    progress=None, kept=None, resumed=None, anew=None,
):  # fmt: skip
    """Measure a scenario's drive over torque and speed on a rig, each point a closed-loop run to steady state.

    scenario: simcore.Scenario; speed_rpm, torque_Nm: "a:b:n", by default the whole range; quadrants: "1,4"; switched: exact
    edges instead of mean voltages; rated: "rpm:Nm", also run the standards' load points; further arguments as in run_sweep,
    anew(count) where `kept` held another map.
    Raises ScenarioError.
    """
    document, told = rig_document(scenario, switched)
    job = MapJob.of(document, scenario.path)
    grid = read_grid(speed_rpm, torque_Nm, quadrants, scenario, job.greatest_Nm)
    rated = loads.read_rated(rated, scenario)
    _refuse_wrong_controller(job)
    how = {"executor": executor, "workers": workers, "kept": kept, "settings": [*_settings(grid), rated], "progress": progress}
    asked = [(grid.speeds_rpm[i], grid.torques_Nm[k]) for i, k in grid.points]
    standard, beyond = loads.asked(rated), edge.BEYOND * job.greatest_Nm
    edge_asked = [(speed, sign * beyond) for sign in grid.directions for speed in edge.first_speeds(_speeds_in(grid))]
    run = all_points(job, list(enumerate([*asked, *standard, *edge_asked])), resumed=resumed, anew=anew, **how)
    points, load_points, found = (run[a:b] for a, b in _parts(len(asked), len(standard), len(run)))
    number = len(run)
    for _ in range(edge.ROUNDS):
        finer = [(speed, sign * beyond) for sign, speed in edge.finer_speeds(edge.edge_points(found))]
        if not finer:
            break
        found += all_points(job, list(enumerate(finer, number)), **how)
        number += len(finer)
    edges = tuple(edge.edge_points(found))
    points = (edge.with_torque(point, edges) for point in points)
    return EfficiencyMap(scenario, grid, tuple(points), edges, tuple(told), switched, rated, tuple(load_points), job)


def _parts(first, second, all_):
    return (0, first), (first, first + second), (first + second, all_)


def _speeds_in(grid):
    """Speeds of the points that are asked for."""
    return tuple(sorted({grid.speeds_rpm[i] for i, _ in grid.points}))


def _settings(grid):
    return [list(grid.speeds_rpm), list(grid.torques_Nm), list(grid.quadrants)]


def _refuse_wrong_controller(job):
    """What the controller says against its tuning comes before anything runs."""
    from simcore.loop import Bench, RunError

    try:
        Bench(job.scenario).member()
    except RunError as error:
        raise ScenarioError([f"{job.scenario.path.name}: {error}"]) from error
