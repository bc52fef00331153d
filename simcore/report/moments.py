"""Where to look closely: the first commanded step and the few electrical periods around it."""

import numpy as np

from simcore.measure.windows import end_s

_COMMANDS = ("torque_Nm", "speed_rpm", "iq_A", "id_A", "vq_V", "vd_V")
_REFERENCES = ("speed_reference_rpm", "torque_reference_Nm", "iq_reference_A", "id_reference_A")
_PERIODS_BEFORE, _PERIODS_AFTER = 1.0, 3.0
_STANDSTILL_SPAN_S = 0.02


def first_step_s(recording):
    """recording => instant of the first commanded step after the start [s], None where nothing steps."""
    begin, end = float(recording.time_s[0]), float(recording.time_s[-1])
    commands = getattr(getattr(recording, "scenario", None), "commands", None)
    points = []
    for name in _COMMANDS:
        profile = getattr(commands, name, None)
        times = tuple(getattr(profile, "times", ()) or ())
        points += [float(t) for t in times[1:] if begin < float(t) <= end]
    if points:
        return min(points)
    if commands is not None:
        return None
    found = [_first_jump(recording, name) for name in _REFERENCES]
    return next((at_s for at_s in found if at_s is not None), None)


def _first_jump(recording, name):
    if name not in recording.signals:
        return None
    values = np.asarray(recording[name], dtype=np.float64)
    moves = np.abs(np.diff(values))
    moves = np.where(np.isfinite(moves), moves, 0.0)
    span = float(np.ptp(values[np.isfinite(values)])) if np.isfinite(values).any() else 0.0
    large = np.flatnonzero(moves > 0.05 * span) if span > 0.0 else []
    return float(recording.time_s[large[0] + 1]) if len(large) else None


def close_look(recording):
    """recording => (from_s, to_s, step_s or None): a few electrical periods around the first step or the start."""
    begin, end = float(recording.time_s[0]), end_s(recording)
    step_s = first_step_s(recording)
    centre = begin if step_s is None else step_s
    period = _period_s(recording, centre)
    # At crawling speed a period may outlast the run, and at any speed a picture wants some rows.
    span = min(4.0 * period if period else _STANDSTILL_SPAN_S, 0.25 * (end - begin))
    span = min(max(span, 40.0 * recording.row_s), end - begin)
    before = span * _PERIODS_BEFORE / (_PERIODS_BEFORE + _PERIODS_AFTER)
    start = min(max(centre - before, begin), end - span)
    return start, start + span, step_s


def _period_s(recording, at_s):
    pole_pairs = getattr(getattr(getattr(recording, "scenario", None), "machine", None), "pole_pairs", None)
    if not pole_pairs or "speed_rpm" not in recording.signals:
        return None
    row = min(int(np.searchsorted(recording.time_s, at_s)), len(recording.time_s) - 1)
    frequency = abs(float(recording["speed_rpm"][row])) / 60.0 * pole_pairs
    return 1.0 / frequency if np.isfinite(frequency) and frequency > 0.0 else None
