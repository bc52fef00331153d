"""Finding a step: the change of a signal's reference, and the rows of the answer to it."""

from dataclasses import dataclass

import numpy as np

from simcore.measure.errors import MeasureError
from simcore.measure.windows import ROW_TOLERANCE, signal_values, window

REFERENCES = {
    "torque_Nm": "torque_reference_Nm",
    "torque_estimate_Nm": "torque_reference_Nm",
    "speed_rpm": "speed_reference_rpm",
    "id_A": "id_reference_A",
    "iq_A": "iq_reference_A",
    "id_measured_A": "id_reference_A",
    "iq_measured_A": "iq_reference_A",
}

# A reference counts as changed when it moves by more than this share of the step's size.
CHANGE_SHARE = 1e-3


@dataclass(frozen=True)
class Step:
    """A reference's change from `before` to `target` at `at_s`, and the rows of the answer up to the next change."""

    at_s: float
    before: float
    target: float
    time_s: np.ndarray
    values: np.ndarray

    @property
    def size(self):
        return self.target - self.before


def reference_of(signal):
    """signal => name of its reference, or a MeasureError."""
    try:
        return REFERENCES[signal]
    except KeyError:
        raise MeasureError(
            f"{signal} has no reference, a step measure says nothing of it. Signals with one: {', '.join(REFERENCES)}."
        ) from None


def find_step(request):
    """request => Step.  The window ends at the reference's next change or at to_s, whichever comes first.

    Without step_at_s it is the reference's first change at or after from_s. A ramp counts as one change, its target is
    where it ends. A step in the first row starts from the signal's own value there.
    """
    recording, name = request.recording, reference_of(request.signal)
    limit = window(recording, None, request.to_s)
    reference = signal_values(recording, name, limit.rows)
    values = signal_values(recording, request.signal, limit.rows)
    time_s = recording.time_s[limit.rows]
    least = CHANGE_SHARE * float(np.ptp(reference))
    if request.step_at_s is None:
        row = _first_change(request, name, time_s, reference, least)
    else:
        row = _change_near(request, name, time_s, reference)
    before = reference[row - 1] if row else values[0]
    arrived = _end_of_ramp(reference, row, before)
    target = reference[arrived]
    if target == before or abs(target - before) < least:
        raise MeasureError(f"{name} does not change at {time_s[row]:g} s.{_where(time_s, reference, least)}")
    moved = np.abs(reference[arrived:] - target) > CHANGE_SHARE * abs(target - before)
    stop = arrived + int(np.argmax(moved)) if moved.any() else len(reference)
    # The row before the change comes along: the answer's first crossing may lie between it and the next.
    rows = slice(max(row - 1, 0), stop)
    return Step(_instant(request, time_s, row), float(before), float(target), time_s[rows], values[rows])


def _first_change(request, name, time_s, reference, least):
    begin = 0 if request.from_s is None else max(int(np.searchsorted(time_s, request.from_s)) - 1, 0)
    away = np.flatnonzero(np.abs(reference[begin:] - reference[begin]) > least)
    if least == 0.0 or len(away) == 0:
        raise MeasureError(f"{name} does not change in the window: there is no step to measure.")
    row = begin + int(away[0])
    # A slow ramp leaves its old value by more than the least change only after some rows: go back to where it began.
    slope = reference[row] - reference[row - 1]
    while row - 1 > begin and (reference[row - 1] - reference[row - 2]) / slope >= 0.5:
        row -= 1
    return row


def _change_near(request, name, time_s, reference):
    """A profile point acts from the nearest tick and a recording may keep few rows: look one row to either side."""
    at_s = request.step_at_s
    if not time_s[0] <= at_s <= time_s[-1]:
        span = f"{time_s[0]:g} s to {time_s[-1]:g} s"
        raise MeasureError(f"step_at_s = {at_s:g} s lies outside the window ({span}).")
    jumps = np.abs(np.diff(reference, prepend=reference[:1]))
    near = int(np.searchsorted(time_s, at_s - ROW_TOLERANCE * request.recording.row_s))
    around = range(max(near - 1, 0), min(near + 2, len(time_s)))
    # Among the jumps that count next to the largest, the earliest is where the change begins.
    largest = max(jumps[k] for k in around)
    if largest > 0.0:
        return next(k for k in around if jumps[k] >= 0.5 * largest)
    if near == 0:
        return 0
    least = CHANGE_SHARE * float(np.ptp(reference))
    raise MeasureError(f"{name} does not change at step_at_s = {at_s:g} s.{_where(time_s, reference, least)}")


def _where(time_s, reference, least):
    """The remedy: where the reference does change."""
    changes = time_s[1:][np.abs(np.diff(reference)) > least] if least else []
    if len(changes) == 0:
        return " It is constant in the window." if least == 0.0 else " It only drifts."
    return f" It changes at {', '.join(f'{t:g} s' for t in changes[:5])}{', ...' if len(changes) > 5 else ''}."


def _end_of_ramp(reference, row, before):
    """Follow increments that are at least half the first one; a ramp's last increment may be a part of it."""
    first = reference[row] - before if row else 0.0
    while first and row + 1 < len(reference):
        share = (reference[row + 1] - reference[row]) / first
        if share <= CHANGE_SHARE:
            break
        row += 1
        if share < 0.5:
            break
    return row


def _instant(request, time_s, row):
    """The change lies between two rows; the tick nearest to step_at_s tells where, when it fits."""
    if request.step_at_s is None or row == 0:
        return float(time_s[row])
    tick_s = getattr(getattr(request.recording, "scenario", None), "tick_s", None)
    acts_s = round(request.step_at_s / tick_s) * tick_s if tick_s else request.step_at_s
    slack = ROW_TOLERANCE * request.recording.row_s
    fits = time_s[row - 1] - slack <= acts_s <= time_s[row] + slack
    return float(acts_s) if fits else float(time_s[row])
