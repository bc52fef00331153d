"""Where to look closely: a few electrical periods around the first step, else around the largest current."""

from typing import NamedTuple

import numpy as np

from simcore.measure.windows import end_s

_COMMANDS = ("torque_Nm", "speed_rpm", "iq_A", "id_A", "vq_V", "vd_V", "voltage_V", "frequency_Hz", "run_request")
_LOADS = ("torque_Nm", "speed_rpm")
_REFERENCES = ("speed_reference_rpm", "torque_reference_Nm", "iq_reference_A", "id_reference_A")
_PERIODS_BEFORE, _PERIODS_AFTER = 1.0, 3.0
_STANDSTILL_SPAN_S = 0.02


class Look(NamedTuple):
    """A close look: from, to and the instant it is about [s], and what happens there in words."""

    from_s: float
    to_s: float
    at_s: float
    what: str


def close_look(recording):
    """recording => Look: a few electrical periods around the first step of a command, else of the load while turning.

    Where commands or load only ramp there is no such instant: then around the largest current, and else at the start.
    """
    begin, end = float(recording.time_s[0]), end_s(recording)
    at_s, what, before = _moment(recording, begin)
    period = _period_s(recording, at_s)
    # At crawling speed a period may outlast the run, and at any speed a picture wants some rows.
    periods = _PERIODS_BEFORE + _PERIODS_AFTER
    span = min(periods * period if period else _STANDSTILL_SPAN_S, 0.25 * (end - begin))
    span = min(max(span, 40.0 * recording.row_s), end - begin)
    start = min(max(at_s - before * span, begin), end - span)
    return Look(start, start + span, at_s, what)


def _moment(recording, begin):
    """=> instant [s], its name, share of the look that lies before it."""
    share = _PERIODS_BEFORE / (_PERIODS_BEFORE + _PERIODS_AFTER)
    step_s = first_step_s(recording)
    if step_s is not None:
        return step_s, "first step", share
    scenario = getattr(recording, "scenario", None)
    loads = _profiles(getattr(scenario, "load", None), _LOADS)
    longest = 0.25 * (end_s(recording) - begin)
    # At standstill a load step shows in no phase current before the speed has changed.
    turning = [t for t in _instants(recording, loads, stepping=True) if (_period_s(recording, t) or longest) < longest]
    if turning:
        return min(turning), "load step", share
    profiles = loads + _profiles(getattr(scenario, "commands", None), _COMMANDS)
    if _instants(recording, profiles, stepping=False):
        peak_s = _largest_current_s(recording)
        if peak_s is not None:
            return peak_s, "largest current", 0.5
    return begin, "start", 0.0


def first_step_s(recording):
    """recording => instant of the first commanded step after the start [s], None where nothing steps; a ramp is none."""
    commands = getattr(getattr(recording, "scenario", None), "commands", None)
    if commands is not None:
        return min(_instants(recording, _profiles(commands, _COMMANDS), stepping=True), default=None)
    found = [_first_jump(recording, name) for name in _REFERENCES]
    return next((at_s for at_s in found if at_s is not None), None)


def _profiles(table, names):
    return [profile for name in names if hasattr(profile := getattr(table, name, None), "times")]


def _instants(recording, profiles, *, stepping):
    """Instants in the run at which profiles reach another value: those of steps, or all."""
    begin, end = float(recording.time_s[0]), float(recording.time_s[-1])
    found = []
    for profile in profiles:
        if stepping and profile.shape != "step":
            continue
        points = list(zip(profile.times, profile.values, strict=True))
        found += [t for (t, value), (_, last) in zip(points[1:], points, strict=False) if value != last]
    return [float(t) for t in found if begin < t <= end]


def _first_jump(recording, name):
    if name not in recording.signals:
        return None
    values = np.asarray(recording[name], dtype=np.float64)
    moves = np.abs(np.diff(values))
    moves = np.where(np.isfinite(moves), moves, 0.0)
    span = float(np.ptp(values[np.isfinite(values)])) if np.isfinite(values).any() else 0.0
    large = np.flatnonzero(moves > 0.05 * span) if span > 0.0 else []
    return float(recording.time_s[large[0] + 1]) if len(large) else None


def _largest_current_s(recording):
    if "id_A" not in recording.signals or "iq_A" not in recording.signals:
        return None
    length = np.hypot(recording["id_A"], recording["iq_A"])
    if not np.isfinite(length).any():
        return None
    return float(recording.time_s[int(np.argmax(np.where(np.isfinite(length), length, -1.0)))])


def _period_s(recording, at_s):
    """Electrical period at an instant [s], None where the shaft stands or its speed is not known."""
    pole_pairs = getattr(getattr(getattr(recording, "scenario", None), "machine", None), "pole_pairs", None)
    if not pole_pairs or "speed_rpm" not in recording.signals:
        return None
    row = min(int(np.searchsorted(recording.time_s, at_s)), len(recording.time_s) - 1)
    frequency = abs(float(recording["speed_rpm"][row])) / 60.0 * pole_pairs
    return 1.0 / frequency if np.isfinite(frequency) and frequency > 0.0 else None
