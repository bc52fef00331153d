"""Measured less true current: a constant, a mirrored or scaled part, a lag, clipped peaks, steps or noise."""

import numpy as np

from simcore.report.wording import number
from simcore.study.explain.balance import phases_of
from simcore.study.explain.noise import step_of
from simcore.study.explain.truth.parts import SEEN, Candidate, Finding, fitted, share_of, taken_apart
from simcore.study.explain.truth.stage import rms, vector

_LEFT = 0.05  # of the whole error: less is what a fit misses
_ELSEWHERE = 0.5  # of a clipped sensor's error: more is another's


def current_findings(stage):
    """Stage => Findings of the current sensors."""
    error = stage.measured - stage.current
    if rms(error) / stage.scale_A < SEEN:
        return []
    picked, left = taken_apart(error, lambda values: _candidates(values, stage), 0.1 * SEEN * stage.scale_A)
    found = [Finding(one.cause, one.size, rms(one.part) / stage.scale_A, stage.ripple_of_current(one.part)) for one in picked]
    if rms(left) / stage.scale_A > SEEN and rms(left) > _LEFT * rms(error):
        step = step_of(stage.measured, stage.scale_A)
        # Steps alone leave a third of one (rms of the vector).
        if step and rms(left) < 0.5 * step:
            cause, size = "current_steps", f"{number(step, 'A', 2)} a step"
        else:
            cause, size = "current_noise", f"{number(rms(left) / np.sqrt(2.0), 'A', 2)} rms"
        # The loop follows noise only up to its bandwidth.
        followed = np.sqrt(min(1.0, 2.0 * stage.bandwidth_Hz * stage.stride * stage.recording.row_s))
        found.append(Finding(cause, size, rms(left) / stage.scale_A, followed * stage.ripple_of_current(left)))
    return found


def _candidates(error, stage):
    i = stage.current
    one = np.ones_like(i)
    constant, offset_part = fitted(error, [one, 1j * one])
    scaled, gain_part = fitted(error, [i, i.conj(), 1j * i.conj()])
    yield Candidate("current_offset", offset_part, f"a vector of {number(float(np.hypot(*constant)), 'A', 2)}")
    between = 200.0 * float(np.hypot(scaled[1], scaled[2]))
    yield Candidate("current_gain", gain_part, f"{between:.2g} % between phases, {100.0 * scaled[0]:+.2g} % in the mean")
    turned = _low_pass(error, i)
    if abs(turned) > 1e-6 and stage.omega_e:
        bandwidth_Hz = abs(stage.omega_e / turned) / (2.0 * np.pi)
        yield Candidate("current_lag", (1.0 / (1.0 + 1j * turned) - 1.0) * i, f"about {number(bandwidth_Hz, 'Hz', 3)}")
    limit, part = _clipped(error, i)
    if _only_at_peaks(error, i, limit):
        yield Candidate("current_clipping", part, f"at {number(limit, 'A', 3)}")


def _low_pass(error, i):
    """=> speed over bandwidth of a first-order lag."""
    factors, _ = fitted(error, [i, 1j * i])
    passed = 1.0 + complex(*factors)
    return (1.0 / passed).imag if passed else 0.0


def _clipped(error, i):
    """=> the range that best explains the error by clipped phases [A], and what it makes."""
    phases = phases_of(i)
    peak = float(np.max(np.abs(phases)))
    parts = [(limit, vector(np.clip(phases, -limit, limit)) - i) for limit in np.linspace(0.3, 0.995, 40) * peak]
    return max(parts, key=lambda pair: share_of(error, pair[1]))


def _only_at_peaks(error, i, limit):
    """True where the error stands while a phase is beyond the limit, and hardly elsewhere."""
    beyond = np.max(np.abs(phases_of(i)), axis=1) > limit
    return bool(beyond.any() and rms(error[~beyond]) < _ELSEWHERE * rms(error[beyond]))
