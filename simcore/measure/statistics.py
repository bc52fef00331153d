"""Plain numbers over a window: mean, extremes, rms, integral. Each takes a Request and returns a float."""

import numpy as np

from simcore.measure.windows import end_s, fills_its_row, row_seconds, signal_values, window


def _rows_of(request):
    chosen = window(request.recording, request.from_s, request.to_s)
    return chosen, signal_values(request.recording, request.signal, chosen.rows)


def _weights(request, chosen):
    """Equal for instants; by seconds for rows that stand for a stretch of time, as the last one may be short."""
    return row_seconds(request.recording, chosen.rows) if fills_its_row(request.signal) else None


def mean(request):
    """request => mean of the rows in the window [the signal's unit]."""
    chosen, values = _rows_of(request)
    return float(np.average(values, weights=_weights(request, chosen)))


def rms(request):
    """request => root of the mean square of the rows in the window [the signal's unit]."""
    chosen, values = _rows_of(request)
    return float(np.sqrt(np.average(values * values, weights=_weights(request, chosen))))


def minimum(request):
    """request => smallest row in the window [the signal's unit]."""
    return float(np.min(_rows_of(request)[1]))


def maximum(request):
    """request => largest row in the window [the signal's unit]."""
    return float(np.max(_rows_of(request)[1]))


def final(request):
    """request => last row in the window [the signal's unit]."""
    return float(_rows_of(request)[1][-1])


def peak_to_peak(request):
    """request => largest minus smallest row in the window [the signal's unit]."""
    return float(np.ptp(_rows_of(request)[1]))


def integral(request):
    """request => integral over [from_s, to_s) [the signal's unit times s].

    Means and held values count with the seconds of each row that lie in the window, so that energies add up; instants
    are joined by straight lines, cut at the window's edges, the last row's value holding to the end of the recording.
    """
    recording = request.recording
    chosen = window(recording, request.from_s, request.to_s)
    # Rows whose stretch of time touches the window: one more on the left where the window starts inside a row.
    left = max(int(np.searchsorted(recording.time_s, chosen.from_s, side="right")) - 1, 0)
    if fills_its_row(request.signal):
        rows = slice(left, chosen.stop)
        begins = recording.time_s[rows]
        ends = begins + row_seconds(recording, rows)
        seconds = np.clip(np.minimum(ends, chosen.to_s) - np.maximum(begins, chosen.from_s), 0.0, None)
        return float(np.sum(signal_values(recording, request.signal, rows) * seconds))
    rows = slice(left, min(chosen.stop + 1, len(recording.time_s)))
    times = recording.time_s[rows]
    values = signal_values(recording, request.signal, rows)
    if times[-1] < chosen.to_s:
        times, values = np.append(times, end_s(recording)), np.append(values, values[-1])
    inside = (times > chosen.from_s) & (times < chosen.to_s)
    edges = np.interp([chosen.from_s, chosen.to_s], times, values)
    path_s = np.concatenate(([chosen.from_s], times[inside], [chosen.to_s]))
    path = np.concatenate((edges[:1], values[inside], edges[1:]))
    return float(np.trapezoid(path, path_s))
