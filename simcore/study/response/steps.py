"""Answer of the closed sampled loop to a step of its reference: overshoot, settling, rise."""

import math
from dataclasses import dataclass, replace

import numpy as np

MOST_UPDATES = 40_000
BAND = 0.02  # settling, of the step


@dataclass(frozen=True)
class StepFigures:
    """overshoot_percent over the step; settling_time_s: last exit from +-2 %; rise_time_s: 10 to 90 %. None: not reached."""

    overshoot_percent: float | None
    settling_time_s: float | None
    rise_time_s: float | None


UNSTABLE = StepFigures(None, None, None)


def step_answer(system, output, reference):
    """(closed SampledSystem, names) => times [s], answer (n,) to a unit step, until its slowest part is gone."""
    seen, stepped = system.outputs.index(output), system.inputs.index(reference)
    column, row, through = system.B[:, stepped], system.C[seen], system.D[seen, stepped]
    count = _length(system)
    answer = np.empty(count)
    state = np.zeros(len(system.A))
    for k in range(count):
        answer[k] = row @ state + through
        state = system.A @ state + column
    return np.arange(count) * system.update_s, answer


def _length(system):
    slowest = float(np.max(np.abs(system.poles)))
    if slowest <= 0.0:
        return 64
    return int(min(max(math.log(1e-5) / math.log(min(slowest, 1.0 - 1e-6)), 64), MOST_UPDATES))


def step_figures(time_s, answer, target=1.0):
    """(times, answer to a step from 0 to target (n,)) => StepFigures; instants between samples by straight lines."""
    share = np.asarray(answer) / target
    overshoot = max(100.0 * (float(np.max(share)) - 1.0), 0.0)
    return StepFigures(overshoot, _settled(time_s, share), _rise(time_s, share))


def without_ripple(figures, window_s):
    """(StepFigures, length that was looked at) => the same; no settling time where the last exit comes late: that is ripple."""
    late = figures.settling_time_s is not None and figures.settling_time_s > 0.4 * window_s
    return replace(figures, settling_time_s=None) if late else figures


def _settled(time_s, share):
    outside = np.flatnonzero(np.abs(share - 1.0) > BAND)
    if len(outside) == 0:
        return 0.0
    last = int(outside[-1])
    if last + 1 >= len(share):
        return None
    edge = 1.0 + math.copysign(BAND, share[last] - 1.0)
    part = (edge - share[last]) / (share[last + 1] - share[last])
    return float(time_s[last] + part * (time_s[last + 1] - time_s[last]))


def _rise(time_s, share):
    low, high = _first_above(time_s, share, 0.1), _first_above(time_s, share, 0.9)
    return None if low is None or high is None else high - low


def _first_above(time_s, share, level):
    above = np.flatnonzero(share >= level)
    if len(above) == 0:
        return None
    k = int(above[0])
    if k == 0:
        return float(time_s[0])
    part = (level - share[k - 1]) / (share[k] - share[k - 1])
    return float(time_s[k - 1] + part * (time_s[k] - time_s[k - 1]))
