"""The study: every fault at every operating point, false alarms, coverage of the checks, safe states over speed."""

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from simcore.scenario import ScenarioError
from simcore.study.fault_study.job import HEALTHY, REACTIONS, FaultJob
from simcore.study.fault_study.places import read_places
from simcore.study.fault_study.safe_states import asked_runs, crossover_rpm, torque_over_speed
from simcore.study.machine_torque import Machine
from simcore.study.points.running import all_points

HARMLESS_SHARE = 0.1  # of the greatest torque: a fault that changes less is told as small
DRAWS = 3  # of healthy sensors at each operating point


@dataclass(frozen=True)
class FaultStudy:
    """scenario, list; points: FaultPoints of faults (monitored and not); healthy: without a fault, sensors in tolerance; safe:
    {reaction: points over speed}, gates off at every link voltage; greatest_Nm of the machine; places."""

    scenario: Any
    list: Any
    points: tuple
    healthy: tuple
    safe: dict
    greatest_Nm: float
    places: Any
    told: tuple = ()
    job: Any = field(repr=False, default=None)

    def case(self, point):
        """(FaultPoint) => its FaultCase."""
        return self.list.cases[point.values[0]]

    @cached_property
    def monitored(self):
        """Runs of a fault with the monitor that could be set up."""
        return tuple(point for point in self.points if point.monitored and not _refused(point))

    def in_time(self, point):
        """(monitored FaultPoint) => whether it was noticed and the reaction's state reached within the tolerance time."""
        times = (point.time_to_notice_s, point.time_to_safe_state_s)  # NaN where it was not reached: not in time
        return bool(point.noticed_by) and all(time <= self.case(point).tolerance_s + 1e-9 for time in times)

    @cached_property
    def covered(self):
        """Faults that are noticed in time at every operating point, of those that ran: (covered, all)."""
        names = {self.case(point).name for point in self.monitored}
        missed = {self.case(point).name for point in self.monitored if not self.in_time(point)}
        return len(names - missed), len(names)

    @cached_property
    def false_alarms(self):
        return tuple(point for point in self.healthy if point.noticed_by or point.error)

    @cached_property
    def coverage(self):
        """{(fault, check): share of its operating points at which this check was the first to notice}."""
        runs, first = {}, {}
        for point in self.monitored:
            name = self.case(point).name
            runs[name] = runs.get(name, 0) + 1
            if point.noticed_by:
                first[name, point.noticed_by] = first.get((name, point.noticed_by), 0) + 1
        return {key: count / runs[key[0]] for key, count in first.items()}

    @cached_property
    def missed(self):
        """[(fault, speed, torque, link voltage, why), ...] of monitored runs that were not in time."""
        found = []
        for point in self.monitored:
            if not self.in_time(point):
                found.append((self.case(point).name, *point.values[1:4], self._why(point)))
        return found

    def _why(self, point):
        if point.error:
            return f"the run broke off: {point.error}"
        if point.noticed_by:
            if not math.isfinite(point.time_to_safe_state_s):
                late = f"after {1e3 * point.time_to_notice_s:.3g} ms"
                return f"noticed by {point.noticed_by} {late}, no safe state reached in the run"
            return f"noticed by {point.noticed_by}, safe after {1e3 * point.time_to_safe_state_s:.3g} ms, allowed are fewer"
        off = max(abs(point.torque_max_Nm - point.values[2]), abs(point.torque_min_Nm - point.values[2]))
        if off < HARMLESS_SHARE * self.greatest_Nm:
            return f"no check sees it: torque stays within {off:.3g} Nm of the request"
        return f"no check sees it, torque is off by up to {off:.3g} Nm"

    @property
    def broken_off(self):
        """Runs of a fault that broke off: currents left the machine's map, or the solution diverged."""
        return tuple(point for point in self.points if point.error and not _refused(point))

    @cached_property
    def crossovers(self):
        """{link voltage: speed from which gates off brake no less than the active short circuit, NaN where they never do}."""
        short = torque_over_speed(self.safe.get("active_short_low", ()))
        gates = self.safe.get("gates_off", ())
        links = sorted({point.values[3] for point in gates})
        return {link: crossover_rpm(torque_over_speed(gates, link), short) for link in links}

    @property
    def crossover_rpm(self):
        """That speed at the scenario's own link voltage."""
        return self.crossovers.get(self.places.own_V, math.nan)


def _refused(point):
    return point.state == "failed" and not math.isfinite(point.peak_current_A)


def run_faults(scenario, faults, speed_rpm=None, torque_Nm=None, link_V=None, *, executor=None, workers=None, progress=None,
               kept=None, resumed=None, anew=None):  # fmt: skip
    """(Scenario, FaultList, speeds, torques and link voltages "a:b:n" [rpm, Nm, V]) => FaultStudy.  Raises ScenarioError.

    What is not given is taken from the list, else by default (places.read_places).
    """
    if scenario.controller.mode not in (None, "torque", "speed"):
        rule = "the study asks for torque"
        raise ScenarioError([f'{scenario.path.name}: controller.mode = "{scenario.controller.mode}": {rule}. Take "torque".'])
    machine = Machine(scenario)
    greatest = machine.greatest_torque(machine.max_current_A)
    wishes = {"speed_rpm": speed_rpm, "torque_Nm": torque_Nm, "link_V": link_V}
    places = read_places(scenario, wishes, faults.places, greatest)
    time_constant_s = machine.greatest_inductance_H() / max(machine.resistance_ohm, 1e-9)
    job = FaultJob.of(scenario, faults.cases, places.supplies, time_constant_s)
    cases = range(len(faults.cases))
    asked = [(case, *place, monitored, 0) for case in cases for place in places.points for monitored in (1, 0)]
    healthy = [(HEALTHY, *place, 1, draw) for place in places.points for draw in range(DRAWS)]
    safe = asked_runs(scenario, places, greatest, {name: -2 - k for k, name in enumerate(REACTIONS)})
    how = {"executor": executor, "workers": workers, "kept": kept, "resumed": resumed, "anew": anew, "progress": progress}
    points = all_points(job, list(enumerate([*asked, *healthy, *safe])), **how)
    a, b = len(asked), len(asked) + len(healthy)
    _refuse_wrong(points[:a])
    by_reaction = {name: tuple(point for point in points[b:] if point.values[0] == -2 - k) for k, name in enumerate(REACTIONS)}
    told = _left_out(faults, points[:a])
    return FaultStudy(scenario, faults, tuple(points[:a]), tuple(points[a:b]), by_reaction, greatest, places, told, job)


def _refuse_wrong(points):
    """A list none of whose faults can be put in is wrong input."""
    refused = [point for point in points if _refused(point)]
    if points and len(refused) == len(points):
        raise ScenarioError(sorted({sentence for point in refused for sentence in point.error.split("; ")}))


def _left_out(faults, points):
    """What could not be put into this drive, each once."""
    told = {}
    for point in points:
        if _refused(point):
            told.setdefault(faults.cases[point.values[0]].name, point.error.split("; ")[0])
    return tuple(f"{name} is left out: {error}" for name, error in told.items())
