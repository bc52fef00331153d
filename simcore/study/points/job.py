"""The work of a study: points that differ in a few keys of one scenario, run here or in another process."""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from simcore.kernel import sources_key
from simcore.loop.ensemble import iterate_ensemble
from simcore.scenario import ScenarioError
from simcore.scenario.reader import scenario_from
from simcore.scenario.variation import Variation
from simcore.study.points.point import as_row, from_row, point_of, taken


class OtherVersion(RuntimeError):
    """A worker whose drybench is not the caller's."""


@dataclass(frozen=True)
class Job:
    """What all points of a study share; goes to other processes as plain data.

    document, path: the scenario; keys: dotted, what varies; believe_nominal: the controller is not told; seeds: the noise of
    point k has the seed run.seed + k, unless that key varies itself.
    """

    document: dict
    path: str
    keys: tuple
    believe_nominal: bool = False
    seeds: bool = False
    label: str = "--vary"
    sources: str = ""

    # A point as a line of the file of kept results, and back.
    as_row, from_row = staticmethod(as_row), staticmethod(from_row)

    @classmethod
    def of(cls, scenario, keys, **how):
        """(Scenario, keys) => Job."""
        document = {name: table for name, table in scenario.resolved.items() if name != "tolerance"}
        return cls(document, str(scenario.path), tuple(keys), sources=sources_key(), **how)

    @cached_property
    def scenario(self):
        """The scenario as it stands."""
        return scenario_from(self.document, Path(self.path))

    @cached_property
    def variation(self):
        return Variation(self.scenario, self.keys, believe_nominal=self.believe_nominal, label=self.label)

    @property
    def expectations(self):
        """How many expectations the scenario states."""
        return len(self.scenario.expect)

    def seed(self, index):
        """Seed of a point's noise; a number below 0 has the scenario's own."""
        return (self.scenario.run.seed + max(index, 0)) % 2**63

    def at(self, index, values):
        """(number, values) => the point's Scenario.  Raises ScenarioError."""
        if self.seeds and "run.seed" not in self.keys:
            return self.variation.at(values, run__seed=self.seed(index))
        return self.variation.at(values)

    @property
    def identity(self):
        """Plain values that shape the points besides document and sources."""
        return [self.keys, self.believe_nominal, self.seeds]

    def here(self, todo, workers=None, progress=None):
        """([(number, values), ...]) => Points as they finish, on all cores (or `workers`) of this process."""
        return points_here(self, todo, workers, progress)

    def __getstate__(self):
        """Without what was made from it here."""
        names = type(self).__dataclass_fields__
        return {name: value for name, value in self.__dict__.items() if name in names}


def points_here(job, todo, workers=None, progress=None):
    """(Job, [(number, values), ...]) => Points in the order in which they finish, on all cores (or `workers`) of this process.

    progress(done) gets the points done and parts of those that run.
    """
    refused, order = [], []

    def members():
        for index, values in todo:
            try:
                scenario = job.at(index, values)
            except ScenarioError as error:
                refused.append(point_of(index, values, job.expectations, error="; ".join(error.problems), refused=True))
                continue
            order.append((index, values))
            yield scenario

    tell = None if progress is None else lambda done: progress(done + told)
    told = 0
    for result in iterate_ensemble(members(), taken, workers=workers, progress=tell):
        while refused:
            told += 1
            yield refused.pop()
        yield point_of(*order[result.index], job.expectations, result.value, result.error, result.refused)
    yield from refused


def run_block(job, todo):
    """(Job, points of a block) => list of Points: the piece of work that goes to another process or machine."""
    if job.sources != sources_key():
        raise OtherVersion("the worker runs another version of drybench. Install the same one there")
    return list(job.here(todo, workers=1))
