"""A tolerance study: draws of what differs from drive to drive, the yield of each expectation, and what drives its failures."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from simcore.scenario import ScenarioError
from simcore.study.points.job import Job
from simcore.study.points.margins import best_and_worst, limit_of
from simcore.study.points.running import all_points, check_controller, refuse_without_expectations
from simcore.study.tolerance.draws import METHODS, draw_values, unit_points
from simcore.study.tolerance.statistics import drivers, yield_interval

NOMINAL = -1  # number of the point at the nominal values


@dataclass(frozen=True)
class ToleranceStudy:
    """Draws of a scenario's [tolerance]; `nominal` is the Point at the nominal values.

    A draw that could not finish meets no expectation; one that the scenario's own rules refuse counts nowhere.
    """

    scenario: Any
    points: tuple
    nominal: Any
    method: str
    seed: int
    job: Any = field(repr=False, default=None)

    @property
    def tolerances(self):
        return self.scenario.tolerances

    @property
    def limits(self):
        """Limits of each expectation."""
        return [limit_of(one) for one in self.scenario.expect]

    @property
    def counted(self):
        """Draws that ran."""
        return tuple(point for point in self.points if not point.refused)

    @property
    def refused(self):
        """Draws whose values contradict each other, so that nothing ran."""
        return tuple(point for point in self.points if point.refused)

    @property
    def unfinished(self):
        """Draws that ran and broke off."""
        return tuple(point for point in self.counted if point.error is not None)

    @property
    def worst(self):
        """The draw farthest beyond a limit, or one that broke off; None where none ran."""
        return best_and_worst(self.points, self.limits)[1]

    def scenario_at(self, point):
        """(Point) => its Scenario, which gives the same bits alone."""
        return self.job.at(point.index, point.values)

    def yield_of(self, k=None):
        """(number of an expectation, None: all of them together) => (yield, low, high)."""
        counted = self.counted
        passed = sum(point.met if k is None else point.passed[k] for point in counted)
        return (passed / len(counted) if counted else 0.0, *yield_interval(passed, len(counted)))

    def measured(self, k):
        """(number of an expectation) => its values over the counted draws (n,), NaN where there is none."""
        return np.array([point.measured[k] for point in self.counted])

    def drivers_of(self, k):
        """(number of an expectation) => study.statistics.drivers of its measure."""
        counted = self.counted
        columns = {one.key: [point.values[i] for point in counted] for i, one in enumerate(self.tolerances)}
        return drivers(columns, self.measured(k)) if counted else []


def run_tolerance(
    scenario, draws, *, method="sobol", seed=1, executor=None, workers=None, progress=None, kept=None, resumed=None
):
    """Draw the values of a scenario's [tolerance] and run each draw.

    scenario: simcore.Scenario with [tolerance] and [[expect]]; draws: their number; method "sobol" or "random", seeded; further
    arguments as in run_sweep.  The controller goes on believing the nominal drive; what it believes or how it is tuned scatters
    only where [tolerance] names such a key. Draw k has noise of its own, seed run.seed + k.  Raises ScenarioError.
    """
    refuse_without_expectations(scenario, "a tolerance study")
    tolerances = scenario.tolerances
    problems = []
    if not tolerances:
        problems.append(
            f"{scenario.path.name}: tolerance: is missing; nothing scatters. Add [tolerance] with lines such as "
            "machine.magnet_flux_Wb = { normal_percent = 2 }."
        )
    if not isinstance(draws, int) or draws < 1:
        problems.append(f"--draws {draws}: must be a whole number of at least 1. Some 1000 tell a yield to 2 %.")
    if method not in METHODS:
        problems.append(f"--method {method}: must be one of {', '.join(METHODS)}.")
    if not isinstance(seed, int) or seed < 0:
        problems.append(f"--seed {seed}: must be a whole number of at least 0.")
    if problems:
        raise ScenarioError(problems)
    keys = [one.key for one in tolerances]
    job = Job.of(scenario, keys, believe_nominal=True, seeds=True, label="[tolerance]")
    check_controller(job, {one.key: (one.distribution.nominal, *one.distribution.ends) for one in tolerances})
    values = draw_values(tolerances, unit_points(method, len(keys), draws, seed))
    told = ["tolerance", method, seed, [[one.key, repr(one.distribution)] for one in tolerances]]
    points = all_points(
        job, [(NOMINAL, _nominal(tolerances)), *enumerate(values)], executor=executor, workers=workers, progress=progress,
        kept=kept, resumed=resumed, settings=told,
    )  # fmt: skip
    return ToleranceStudy(scenario, tuple(points[1:]), points[0], method, seed, job)


def _nominal(tolerances):
    from simcore.scenario.tolerance import whole_where_wanted

    return [whole_where_wanted(one.key, one.distribution.nominal) for one in tolerances]
