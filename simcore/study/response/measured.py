"""What was measured of a loop: curves with coherence, margins read from them, step answers."""

from dataclasses import dataclass, field, replace

import numpy as np

from simcore.study.response.cuts import WHERE
from simcore.study.response.margins import Margins, margins_on_grid

TRUSTED = 0.03  # relative deviation up to which a point of an open response counts (0.25 dB)


@dataclass(frozen=True, eq=False)
class MeasuredCurve:
    """One loop at rising frequencies (n,) [Hz]: open and closed response, coherence, relative deviation of the open one."""

    name: str
    frequency_Hz: np.ndarray
    open: np.ndarray
    closed: np.ndarray | None
    coherence: np.ndarray
    deviation: np.ndarray

    @property
    def broken_at(self):
        """Where the loop is cut, in words."""
        return WHERE[self.name]

    @property
    def trusted(self):
        """True (n,) where noise leaves the open response alone."""
        return self.deviation <= TRUSTED

    @property
    def margins(self):
        """Margins read from the points, None where the curve does not reach so far."""
        if not np.isfinite(self.open).all():
            return Margins(None, None, None, None, None, None)
        return margins_on_grid(self.frequency_Hz, self.open)


@dataclass(frozen=True, eq=False)
class MeasuredLoop:
    """Curves by name, step answers (StepFigures) by what is stepped, the steps themselves (time, answer), what to be told."""

    curves: dict
    steps: dict = field(default_factory=dict)
    step_answers: dict = field(default_factory=dict)
    told: tuple = ()

    @property
    def worst(self):
        """(name, Margins) of the curve with the least phase margin, or None where none crosses 1."""
        crossing = [(name, curve.margins) for name, curve in self.curves.items()]
        crossing = [pair for pair in crossing if pair[1].crossover_Hz is not None]
        return min(crossing, key=lambda pair: pair[1].phase_margin_deg, default=None)


def without_open(loop):
    """(MeasuredLoop) => the same without open responses: what was measured from the references is not the loop alone."""
    none = {name: np.full(len(curve.open), np.nan, dtype=complex) for name, curve in loop.curves.items()}
    return replace(loop, curves={name: replace(curve, open=none[name]) for name, curve in loop.curves.items()})


def from_closed(name, frequency_Hz, closed):
    """(name, frequencies, Estimate of what is measured over its reference) => MeasuredCurve.

    The open response is T/(1 - T); its relative deviation is that of T over |1 - T|.
    """
    response = closed.response
    apart = np.maximum(np.abs(1.0 - response), 1e-12)
    return MeasuredCurve(name, frequency_Hz, response / (1.0 - response), response, closed.coherence, closed.deviation / apart)
