"""The runs of the study: a drive at an operating point, a fault after a while, with and without the monitor.

A vehicle is driven as it is from the point's speed on; any other load is a rig that holds the speed.
"""

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from simcore.kernel import sources_key
from simcore.loop.ensemble import iterate_ensemble
from simcore.scenario import ScenarioError
from simcore.scenario.reader import scenario_from
from simcore.scenario.safety_limits import choice_rpm, limits
from simcore.study.fault_study.case import FaultCase
from simcore.study.fault_study.point import as_row, failed_point, from_row, point_of, seen

LEAD_s = 0.08  # before the fault: the drive is steady
AFTER_s = 0.02  # beyond the tolerance time
SETTLES, LEAST_SAFE_s, MOST_SAFE_s = 5.0, 0.15, 1.0  # a safe state's time: in L/R of the machine, and its limits
HEALTHY = -1
REACTIONS = ("gates_off", "active_short_low", "ramp_down")  # case -2 - k of the comparison of safe states
BY_SUPPLY = ("link_overvoltage", "link_undervoltage")
MONITOR = {"part": "safety/traction"}
_LEFT_OUT = ("commands", "expect", "fault", "scope", "cycle", "driver", "template", "tolerance", "baseline", "safety", "run")
# Of healthy sensors, in per cent or degrees: standard deviations (common practice, no source).
GAIN, OFFSET_SHARE, ANGLE_DEG, RESOLVER = 0.01, 0.003, 1.0, 0.003


@dataclass(frozen=True)
class FaultJob:
    """What all runs share; goes to other processes as plain data.  document, path: the scenario; cases: FaultCases as tuples;
    safety: its [safety] or the shipped monitor; supplies: ((link voltage, what changes in [supply]), ...); safe_s: time of a
    run that shows a safe state."""

    document: dict
    path: str
    cases: tuple
    safety: dict
    supplies: tuple = ()
    safe_s: float = LEAST_SAFE_s
    sources: str = ""

    as_row, from_row = staticmethod(as_row), staticmethod(from_row)

    @classmethod
    def of(cls, scenario, cases, supplies=(), time_constant_s=0.0):
        """(Scenario, FaultCases, supplies of Places, the machine's longest L/R [s]) => FaultJob."""
        document = {name: table for name, table in scenario.resolved.items() if name not in _LEFT_OUT}
        run = {key: value for key, value in scenario.resolved.get("run", {}).items() if key in ("substeps", "seed")}
        controller = dict(document.get("controller", {}))
        if scenario.controller.mode == "speed":
            controller["mode"] = "torque"
        document |= {"run": run, "controller": controller}
        rig = {"load": {"kind": "rig", "speed_rpm": 0.0}, "commands": {"torque_Nm": 0.0}, "run": {**run, "duration_s": LEAD_s}}
        initial = {key: value for key, value in document.get("initial", {}).items() if key != "speed_rpm"}
        safety = scenario.resolved.get("safety") or MONITOR
        safety = _by_own_supply(scenario_from({**document, **rig, "initial": initial, "safety": safety}, scenario.path), safety)
        safe_s = min(max(SETTLES * time_constant_s, LEAST_SAFE_s), MOST_SAFE_s)
        cases = tuple(tuple(case) for case in cases)
        return cls(document, str(scenario.path), cases, safety, tuple(supplies), safe_s, sources_key())

    @property
    def identity(self):
        """Plain values that shape the points besides document and sources."""
        return ["faults", self.cases, self.safety, self.supplies, self.safe_s]

    @cached_property
    def longest_s(self):
        return max([tolerance for _, _, tolerance in self.cases], default=0.1)

    @cached_property
    def _supply(self):
        return {link: change for link, change in self.supplies}

    def at(self, index, values):
        """(number, values of FaultPoint) => Scenario.  Raises ScenarioError."""
        case, speed_rpm, torque_Nm, link_V, monitored, draw = values
        document = dict(self.document)
        looked_s = self.longest_s
        if case >= 0:
            fault = FaultCase(*self.cases[case])
            document["fault"], looked_s = [{**fault.table, "at_s": LEAD_s}], fault.looked_at_s(monitored)
        document |= self._load(speed_rpm, case)
        document["commands"] = {"torque_Nm": float(torque_Nm)}
        document["supply"] = document["supply"] | self._supply.get(link_V, {})
        if monitored:
            document["safety"] = self.safety
        if case < HEALTHY:
            document |= _safe_state(REACTIONS[-2 - case])
        if case == HEALTHY and draw > 0:
            document["sensors"] = _drawn_sensors(document, draw)
        duration = LEAD_s + (self.safe_s if case < HEALTHY else looked_s + AFTER_s)
        document["run"] = document["run"] | {"duration_s": duration, "record_every": 1}
        return scenario_from(document, Path(self.path))

    def _load(self, speed_rpm, case):
        """An imposed speed; its own load where that is a vehicle, and for a fault of the shaft."""
        initial, kind = dict(self.document.get("initial", {})), self.document["load"].get("kind")
        of_the_shaft = case >= 0 and FaultCase(*self.cases[case]).of_the_shaft
        if (of_the_shaft and kind != "rig") or (kind == "vehicle" and case >= HEALTHY):
            return {"initial": initial | {"speed_rpm": float(speed_rpm)}}
        initial.pop("speed_rpm", None)
        return {"load": {"kind": "rig", "speed_rpm": float(speed_rpm)}, "initial": initial}

    def here(self, todo, workers=None, progress=None):
        """([(number, values), ...]) => FaultPoints as they finish, on all cores (or `workers`) of this process."""
        refused, order = [], []

        def members():
            for index, values in todo:
                try:
                    scenario = self.at(index, values)
                except ScenarioError as error:
                    refused.append(failed_point(index, values, "; ".join(error.problems)))
                    continue
                order.append((index, values))
                yield scenario

        tell = None if progress is None else lambda done: progress(done + told)
        told = 0
        for result in iterate_ensemble(members(), _taken, workers=workers, progress=tell):
            while refused:
                told += 1
                yield refused.pop()
            index, values = order[result.index]
            if result.value is None:
                yield failed_point(index, values, result.error or "nothing was recorded")
            else:
                yield point_of(index, values, result.value, result.error or "")
        yield from refused

    def __getstate__(self):
        """Without what was made from it here."""
        names = type(self).__dataclass_fields__
        return {name: value for name, value in self.__dict__.items() if name in names}


def _safe_state(reaction):
    """(reaction) => tables: a command that arrives no more and holds, so that one check trips with it; nothing else watches."""
    return {
        "safety": {"command_timeout": {"reaction": reaction, "threshold_s": 1e-3}, "ramp_down": {"then": "hold"}},
        "fault": [{"kind": "command_lost", "command": "torque_Nm", "at_s": LEAD_s}],
    }


def _taken(recording):
    return None if len(recording) == 0 else seen(recording, LEAD_s)


def _by_own_supply(scenario, table):
    """(Scenario with its [safety], that table) => the table with limits that follow from the supply as numbers.

    A monitor is set up once for a drive: its limits stay where they are while the link's voltage is another.
    """
    safety, sensors = scenario.safety, scenario.sensors
    found = limits(safety, scenario.machine, scenario.inverter, scenario.supply, sensors)
    fixed = {name: {**_own(table, name), "threshold_V": found[name][0]} for name in BY_SUPPLY if name in found}
    above, below = choice_rpm(safety, scenario.machine, scenario.supply)
    speeds = {"active_short_above_rpm": above, "gates_off_below_rpm": below}
    return {**table, **fixed, "safe_state": {**_own(table, "safe_state"), **speeds}}


def _own(table, name):
    given = table.get(name, {})
    return given if isinstance(given, dict) else {}


def _drawn_sensors(document, draw):
    """Sensors inside their tolerances: gains, zeros and angles drawn anew for each number."""
    random = np.random.default_rng(draw)
    sensors = {name: dict(table) for name, table in document.get("sensors", {}).items()}
    current, position = sensors.setdefault("current", {}), sensors.setdefault("position", {})
    current["gain"] = [float(1.0 + GAIN * value) for value in random.standard_normal(3)]
    top_A = document["machine"]["max_current_A"]
    current["offset_A"] = [float(OFFSET_SHARE * top_A * value) for value in random.standard_normal(3)]
    if position.get("kind") == "resolver":
        position["amplitude_imbalance"] = float(RESOLVER * random.standard_normal())
        position["quadrature_error_deg"] = float(0.3 * random.standard_normal())
        position["mounting_offset_deg"] = float(ANGLE_DEG * random.standard_normal())
    return sensors
