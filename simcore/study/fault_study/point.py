"""One run of the study: what was put in, whether and when it was noticed, what it did meanwhile."""

import math
from typing import NamedTuple

import numpy as np

DIVERGED = "the solution diverged"
SAFE = ("gates_off", "active_short_low", "active_short_high")
NUMBERS = (
    "time_to_notice_s", "time_to_safe_state_s", "peak_current_A", "torque_min_Nm", "torque_max_Nm", "torque_impulse_Nms",
    "link_voltage_max_V", "id_min_A", "link_energy_J", "chopper_energy_J", "junction_max_degC", "winding_max_degC",
    "torque_after_Nm", "vehicle_impulse_Ns", "vehicle_speed_change_kmh",
)  # fmt: skip


class FaultPoint(NamedTuple):
    """index; values: (case, speed [rpm], torque [Nm], link [V], monitored, draw), case -1: healthy, -2 and below: a safe state;
    noticed_by: check, "" none; state: the last one; numbers in the order of NUMBERS; error: why the run broke off, ""."""

    index: int
    values: tuple
    noticed_by: str
    state: str
    numbers: tuple
    error: str

    def __getattr__(self, name):
        if name in NUMBERS:
            return self.numbers[NUMBERS.index(name)]
        raise AttributeError(name)

    @property
    def monitored(self):
        return bool(self.values[4])


def point_of(index, values, seen_, error):
    """(number, values, what `seen` gave, sentence of what broke it off or "") => FaultPoint.

    Of a solution that diverged nothing but the times is kept: what it reached is no physics.  Where something ended the
    numbers before, that is told instead.
    """
    check, state, numbers, told = seen_
    error = told or error
    if DIVERGED in error:
        numbers = (*numbers[:2], *(math.nan,) * (len(NUMBERS) - 2))
    return FaultPoint(index, tuple(values), check, state, numbers, error)


def failed_point(index, values, error):
    """(number, values, sentence) => FaultPoint without numbers."""
    return FaultPoint(index, tuple(values), "", "failed", (math.nan,) * len(NUMBERS), error)


def seen(recording, fault_s):
    """(Recording, instant of the fault [s]) => (check that noticed, last state, numbers from the fault on, a remark or "")."""
    after = recording.time_s >= fault_s - 1e-9
    empty = np.flatnonzero(after & (recording["link_voltage_V"] <= 0.0))
    told = ""
    if len(empty):
        told = f"the link was empty {1e3 * (recording.time_s[empty[0]] - fault_s):.4g} ms after the fault"
    just_before = (recording.time_s >= fault_s - 0.01) & ~after
    torque = recording["torque_Nm"]
    before_Nm = float(np.mean(torque[just_before])) if just_before.any() else 0.0
    length = recording.row_length_s[after]
    noticed_by, notice_s, safe_s, state = _monitored(recording, fault_s)
    current = np.hypot(recording["id_A"], recording["iq_A"])
    late = recording.time_s >= recording.closing_time_s - 0.02
    numbers = (
        notice_s, safe_s, _most(current[after]), _least(torque[after]), _most(torque[after]),
        float(np.sum((torque[after] - before_Nm) * length)), _most(recording["link_voltage_V"][after]),
        _least(recording["id_A"][after]), float(-np.sum(recording["power_link_W"][after] * length)),
        float(np.sum(recording["loss_chopper_W"][after] * length)), _most(recording["junction_degC"][after]),
        _most(recording["winding_degC"][after]), float(np.mean(torque[late])) if late.any() else math.nan,
        *_of_the_vehicle(recording, just_before, after, before_Nm),
    )  # fmt: skip
    return noticed_by, state, numbers, told


def _of_the_vehicle(recording, before, after, before_Nm):
    """=> impulse of force at the wheels [N s] that was not there before the fault, without the gear's loss; how far the speed
    has come away from the straight line it was on [km/h].  NaN where the load is no vehicle."""
    load = recording.scenario.load
    if load.kind != "vehicle" or not before.any() or not after.any():
        return math.nan, math.nan
    impulse_Nms = float(np.sum((recording["torque_Nm"][after] - before_Nm) * recording.row_length_s[after]))
    time_s, speed = recording.time_s, recording["vehicle_speed_kmh"]
    slope, start = np.polyfit(time_s[before] - time_s[after][0], speed[before], 1)
    end = float(speed[-1] - start - slope * (time_s[-1] - time_s[after][0]))
    return impulse_Nms / load.arm_m, end


def _most(values):
    return float(np.max(values)) if len(values) else math.nan


def _least(values):
    return float(np.min(values)) if len(values) else math.nan


def _monitored(recording, fault_s):
    """=> check, time to notice, time to the reaction's state, last state; NaN and "" where nothing was noticed."""
    log = recording.monitor
    if log is None:
        return "", math.nan, math.nan, "running"
    trips = [trip for trip in log["trips"] if trip["at_s"] >= fault_s - 1e-9]
    states = [event for event in log["states"] if event["at_s"] >= fault_s - 1e-9]
    last = states[-1]["state"] if states else "running"
    if not trips:
        return "", math.nan, math.nan, last
    first = trips[0]
    reached = [event["at_s"] for event in states if event["state"] in SAFE]
    if not reached and first["reaction"] in ("report", "derate"):
        reached = [first["at_s"]]
    return first["check"], first["at_s"] - fault_s, reached[0] - fault_s if reached else math.nan, last


def as_row(point):
    """FaultPoint => list of JSON's types."""
    numbers = [value if math.isfinite(value) else None for value in point.numbers]
    return [point.index, list(point.values), point.noticed_by, point.state, numbers, point.error]


def from_row(row):
    """What as_row gave => FaultPoint."""
    index, values, noticed_by, state, numbers, error = row
    if len(numbers) != len(NUMBERS):
        raise ValueError("a point of another version")
    numbers = tuple(math.nan if value is None else float(value) for value in numbers)
    return FaultPoint(int(index), tuple(values), noticed_by, state, numbers, error)
