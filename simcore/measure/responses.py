"""Step responses: rise, settling, overshoot, steady error, each against the signal's reference."""

import numpy as np

from simcore.measure.errors import MeasureError
from simcore.measure.steps import find_step, reference_of
from simcore.measure.windows import signal_values, window


def _crossing(step, share):
    """Instant [s] at which the answer first reaches a share of the step; straight lines between rows."""
    progress = (step.values - step.before) / step.size
    reached = np.flatnonzero(progress >= share)
    if len(reached) == 0:
        raise MeasureError(f"The answer never reaches {share:.0%} of the step from {step.before:g} to {step.target:g}.")
    k = int(reached[0])
    if k == 0:
        return float(step.time_s[0])
    part = (share - progress[k - 1]) / (progress[k] - progress[k - 1])
    return float(step.time_s[k - 1] + part * (step.time_s[k] - step.time_s[k - 1]))


def rise_time(request):
    """request => time from first reaching 10 % to first reaching 90 % of the step [s]."""
    step = find_step(request)
    return _crossing(step, 0.9) - _crossing(step, 0.1)


def settling_time(request):
    """request => time from the step to the last entry into the band around the new reference [s].

    The band is band_percent of the step's size to either side; the entry is interpolated between rows.
    """
    step = find_step(request)
    if not request.band_percent > 0:
        raise MeasureError(f"band_percent = {request.band_percent:g}: must be above 0 (percent of the step's size).")
    band = request.band_percent / 100.0 * abs(step.size)
    distance = np.abs(step.values - step.target)
    outside = np.flatnonzero((distance > band) & (step.time_s >= step.at_s))
    if len(outside) == 0:
        return 0.0
    k = int(outside[-1])
    if k + 1 == len(step.values):
        raise MeasureError(
            f"Not settled: outside the band of {request.band_percent:g} % at the window's end, {step.time_s[-1]:g} s."
        )
    part = (distance[k] - band) / _fall(step, k)
    entry_s = step.time_s[k] + part * (step.time_s[k + 1] - step.time_s[k])
    return float(max(entry_s - step.at_s, 0.0))


def _fall(step, k):
    """Change of the distance between rows k and k+1, on the side of the target that row k is on."""
    side = np.sign(step.values[k] - step.target)
    return side * (step.values[k] - step.values[k + 1])


def overshoot(request):
    """request => largest excursion past the new reference in the step's direction, percent of its size; not below 0."""
    step = find_step(request)
    after = step.time_s >= step.at_s
    beyond = (step.values[after] - step.target) / step.size
    return float(max(100.0 * np.max(beyond), 0.0))


def steady_error(request):
    """request => reference minus signal, mean over the last tenth of the window [the signal's unit].

    With step_at_s the window is the step's; otherwise [from_s, to_s).
    """
    recording, name = request.recording, reference_of(request.signal)
    if request.step_at_s is not None:
        step = find_step(request)
        first, stop = np.searchsorted(recording.time_s, [step.at_s, step.time_s[-1]])
        first, stop = int(first), int(stop) + 1
    else:
        chosen = window(recording, request.from_s, request.to_s)
        first, stop = chosen.first, chosen.stop
    rows = slice(stop - max((stop - first) // 10, 1), stop)
    return float(np.mean(signal_values(recording, name, rows) - signal_values(recording, request.signal, rows)))
