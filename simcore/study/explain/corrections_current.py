"""Current sensors: offset, gain, low-pass, clipped peaks."""

import math

import numpy as np

from simcore.report.wording import number
from simcore.study.explain.balance import PHASES, phases_of
from simcore.study.explain.correction import Correction, percent

_CLIPPED_ROWS, _RANGES = 0.002, 10
_BOTH = 0.005  # of the range


def _offset(b, p):
    return {"i_A": b.i_A - complex(p[0], p[1])}


def _gain(b, p):
    return {"i_A": b.i_A - p[0] * b.i_A - complex(p[1], p[2]) * b.i_A.conj()}


def _lag(b, p):
    return {"i_A": b.i_A + p[0] * np.gradient(b.i_A) / b.interval_s}


def _clipped(range_A):
    """A phase a beyond the range was read as the range; without zero sequence it stands in the vector as (2 range + a)/3."""

    def apply(b, p):
        phases = phases_of(b.i_A)
        beyond = np.sign(phases) * np.maximum(np.abs(phases) - range_A - p[0], 0.0)
        return {"i_A": _two_at_once(b.i_A, b.i_A + 2.0 * (beyond @ PHASES), phases, range_A + p[0])}

    return apply


def _two_at_once(measured, opened, phases, range_A):
    """Where two phases were clipped only the third is known: the vector's length is taken from the rows around."""
    apart = phases - np.roll(phases, -1, axis=1)
    both = np.abs(apart) > (2.0 - _BOTH) * range_A
    rows = both.any(axis=1)
    if not rows.any() or rows.all():
        return opened
    length = np.interp(np.flatnonzero(rows), np.flatnonzero(~rows), np.abs(opened[~rows]))
    first = np.argmax(both[rows], axis=1)
    # The two that were clipped cancel in the zero sequence: the third stands in the vector as 2/3 of itself.
    axis, known = PHASES[(first + 2) % 3], 1.5 * phases[rows, (first + 2) % 3]
    across = np.sqrt(np.maximum(length**2 - known**2, 0.0)) * np.sign((measured[rows] * axis.conj()).imag)
    opened = opened.copy()
    opened[rows] = (known + 1j * across) * axis
    return opened


ALWAYS = (
    Correction("current_offset", 2, lambda b: (1e-3 * b.max_current_A,) * 2, _offset,
               lambda b, p: f"a vector of {number(math.hypot(*p), 'A', 2)}"),
    Correction("current_gain", 3, lambda b: (1e-3,) * 3, _gain,
               lambda b, p: f"{percent(2.0 * math.hypot(p[1], p[2]))} between phases, {percent(p[0])} in the mean",
               lambda p: np.max(np.abs(p)) < 0.2),
    Correction("current_lag", 1, lambda b: (1e-6,), _lag, lambda b, p: f"about {1.0 / (2.0 * math.pi * p[0]):.0f} Hz",
               lambda p: p[0] > 0.0),
)  # fmt: skip


def clipping(b):
    """Balance => hypotheses of ranges at which measured phases may have been clipped."""
    phases = np.abs(phases_of(b.i_A))
    peak = float(np.max(phases))
    return [
        Correction("current_clipping", 1, lambda b: (1e-4 * b.max_current_A,), _clipped(range_A),
                   lambda b, p, r=range_A: f"at {number(r + p[0], 'A', 3)}")
        for range_A in np.linspace(0.75, 1.0, _RANGES, endpoint=False) * peak
        if np.mean(phases > range_A) > _CLIPPED_ROWS
    ]  # fmt: skip
