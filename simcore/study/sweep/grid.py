"""A sweep: every point of a grid of values, its measures, the best and the worst point."""

import itertools
from dataclasses import dataclass, field
from typing import Any

from simcore.scenario import ScenarioError
from simcore.scenario.axis import Axis
from simcore.study.points.job import Job
from simcore.study.points.margins import best_and_worst, limit_of, scores
from simcore.study.points.running import all_points, check_controller, refuse_without_expectations


@dataclass(frozen=True)
class Sweep:
    """Points of a grid, the last axis running fastest; best and worst are Points, None where nothing ran."""

    scenario: Any
    axes: tuple
    points: tuple
    job: Any = field(repr=False, default=None)

    @property
    def limits(self):
        """Limits of each expectation."""
        return [limit_of(one) for one in self.scenario.expect]

    @property
    def scores(self):
        """A number a point: margin of its tightest expectation, in standard deviations of the measure over the sweep."""
        return scores(self.points, self.limits)

    @property
    def best(self):
        return best_and_worst(self.points, self.limits)[0]

    @property
    def worst(self):
        return best_and_worst(self.points, self.limits)[1]

    def scenario_at(self, point):
        """(Point) => its Scenario."""
        return self.job.at(point.index, point.values)


def run_sweep(scenario, vary, *, executor=None, workers=None, progress=None, kept=None, resumed=None):
    """Run a scenario at every point of a grid.

    scenario: simcore.Scenario; vary: {dotted key: values}, or axes of read_axes; a changed key changes what the controller
    believes too, as --set does.  executor: one of concurrent.futures; None: threads of this process.  progress(done, total).
    kept: file for results so far, of which resumed(done, total) tells.  Raises ScenarioError for a key or a value that is wrong
    on its own.
    """
    axes = tuple(Axis(key, tuple(values)) for key, values in vary.items()) if isinstance(vary, dict) else tuple(vary)
    refuse_without_expectations(scenario, "a sweep")
    if not axes or not all(axis.values for axis in axes):
        raise ScenarioError(["--vary: nothing varies. Give --vary table.key=200:1200:11."])
    job = Job.of(scenario, [axis.key for axis in axes])
    _refuse_wrong_values(job, axes)
    grid = list(enumerate(itertools.product(*(axis.values for axis in axes))))
    points = all_points(
        job, grid, executor=executor, workers=workers, progress=progress, kept=kept, resumed=resumed, settings=_told(axes)
    )
    return Sweep(scenario, axes, tuple(points), job)


def _told(axes):
    return ["sweep", *([axis.key, list(axis.values)] for axis in axes)]


def _refuse_wrong_values(job, axes):
    """Each value of an axis alone: those that only contradict another varied key are told at their point."""
    problems = []
    for axis in axes:
        alone = Job.of(job.scenario, [axis.key])
        wrong = {}
        for value in axis.values:
            try:
                alone.at(0, [value])
            except ScenarioError as error:
                wrong[value] = error.problems
        if wrong:
            first = next(iter(wrong))
            more = f", and for {len(wrong) - 1} more of its values" if len(wrong) > 1 else ""
            problems += [told if "--vary" in told else f"{told} (--vary {axis.key}: {first}{more})" for told in wrong[first]]
    if problems:
        raise ScenarioError(list(dict.fromkeys(problems)))
    for axis in axes:
        check_controller(Job.of(job.scenario, [axis.key]), {axis.key: axis.values})
