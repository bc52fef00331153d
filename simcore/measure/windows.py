"""Windows of a recording: which rows lie in [from_s, to_s), and what a row stands for."""

import re
from dataclasses import dataclass

import numpy as np

from simcore.measure.errors import MeasureError, unknown_name

# Rows are instants k * row_s in floating point; a window's edge on a row must not miss it by rounding.
ROW_TOLERANCE = 1e-6

_MEAN_OVER_ROW = re.compile(r"v[dqabc]_V|power_\w+_W|loss_\w+_W|link_current_A|supply_current_A")
_HELD_OVER_ROW = re.compile(r"duty_[abc]|\w+_reference_\w+|voltage_margin_V|binding_limit|state")


@dataclass(frozen=True)
class Window:
    """Rows first ... stop-1, whose instants lie in [from_s, to_s)."""

    first: int
    stop: int
    from_s: float
    to_s: float

    @property
    def rows(self):
        return slice(self.first, self.stop)


def end_s(recording):
    """recording => instant of its closing state [s]: a row past the last one, or less where the run ends inside it."""
    told = getattr(recording, "closing_time_s", None)
    if told is not None:
        return float(told)
    last = float(recording.time_s[-1])
    end = last + recording.row_s
    scenario = getattr(recording, "scenario", None)
    planned = getattr(scenario, "ticks", 0) * getattr(scenario, "tick_s", 0.0)
    return planned if last < planned < end else end


def window(recording, from_s=None, to_s=None):
    """(recording, from_s, to_s) => Window. None means from the first row, up to the end of the recording.

    Raises MeasureError where the window is empty or reaches past what was recorded.
    """
    time_s = recording.time_s
    if len(time_s) == 0:
        raise MeasureError("The recording has no rows.")
    begin, end = float(time_s[0]), end_s(recording)
    slack = ROW_TOLERANCE * recording.row_s
    start = begin if from_s is None else float(from_s)
    stop = end if to_s is None else float(to_s)
    if to_s is None and start >= stop + slack:
        raise MeasureError(f"The recording ends at {end:g} s, before the window begins (from_s = {start:g} s).")
    if not start < stop:
        raise MeasureError(f"The window from {start:g} s to {stop:g} s is empty: from_s must lie before to_s.")
    if start < begin - slack or stop > end + max(slack, 0.5 * recording.row_s):
        raise MeasureError(
            f"The window from {start:g} s to {stop:g} s reaches outside the recording ({begin:g} s to {end:g} s)."
        )
    first = int(np.searchsorted(time_s, start - slack, side="left"))
    last = int(np.searchsorted(time_s, stop - slack, side="left"))
    if first >= last:
        raise MeasureError(
            f"The window from {start:g} s to {stop:g} s holds no row: rows are {recording.row_s:g} s apart."
        )
    return Window(first, last, start, min(stop, end))


def signal_values(recording, signal, rows=slice(None)):
    """(recording, signal, rows) => its values as float64 (rows,), all finite, or a MeasureError that says why not."""
    if signal == "time_s":
        values = recording.time_s
    elif signal in recording.signals:
        values = recording[signal]
    else:
        raise MeasureError(unknown_name("signal", signal, recording.signals))
    values = np.asarray(values, dtype=np.float64)[rows]
    missing = np.count_nonzero(~np.isfinite(values))
    if missing:
        raise MeasureError(f"{signal} has no finite value in {missing} of the {len(values)} rows of the window.")
    return values


def fills_its_row(signal):
    """True where a row's value stands for the whole row (a mean or a held value), False where it is an instant's."""
    return bool(_MEAN_OVER_ROW.fullmatch(signal) or _HELD_OVER_ROW.fullmatch(signal))


def row_seconds(recording, rows):
    """(recording, rows) => seconds each row stands for [s] (rows,); only the last row of all may be shorter."""
    seconds = np.full(len(recording.time_s[rows]), float(recording.row_s))
    stop = len(recording.time_s) if rows.stop is None else rows.stop
    if stop == len(recording.time_s) and len(seconds):
        seconds[-1] = min(float(recording.row_s), end_s(recording) - float(recording.time_s[-1]))
    return seconds
