"""One loop predicted and measured at the same frequencies, and how far apart both are."""

from dataclasses import dataclass

import numpy as np

from simcore.study.response.cuts import WHERE
from simcore.study.response.margins import frequencies

AGREES_dB, AGREES_deg = 0.5, 3.0


@dataclass(frozen=True, eq=False)
class Curves:
    """A cut at rising frequencies (n,) [Hz]; predicted_* and measured_* are complex (n,), nan where there is none.

    within_Hz: crossover up to which both are compared (None: everywhere). deviation: relative, of measured_open.
    """

    name: str
    frequency_Hz: np.ndarray
    predicted_open: np.ndarray
    predicted_closed: np.ndarray
    measured_open: np.ndarray
    measured_closed: np.ndarray
    coherence: np.ndarray
    deviation: np.ndarray
    trusted: np.ndarray
    within_Hz: float | None

    @property
    def broken_at(self):
        """Where the loop is cut, in words."""
        return WHERE[self.name]

    def apart(self, what):
        """"open" or "closed" => largest difference up to the crossover (dB, deg), None where nothing is to compare. Of the open
        response only points that noise leaves alone count."""
        predicted, measured = getattr(self, f"predicted_{what}"), getattr(self, f"measured_{what}")
        with np.errstate(all="ignore"):
            ratio = measured / predicted
        counts = np.isfinite(ratio) & (self.frequency_Hz <= (np.inf if self.within_Hz is None else self.within_Hz))
        if what == "open":
            counts &= self.trusted
        if not counts.any():
            return None
        return float(np.max(np.abs(decibel(ratio[counts])))), float(np.max(np.abs(np.degrees(np.angle(ratio[counts])))))

    @property
    def agrees(self):
        """True where the closed response agrees within 0.5 dB and 3 degrees up to the crossover; None: nothing to compare."""
        apart = self.apart("closed")
        return None if apart is None else apart[0] <= AGREES_dB and apart[1] <= AGREES_deg


def decibel(response):
    """Complex response => dB; -inf is left out as nan."""
    with np.errstate(all="ignore"):
        size = 20.0 * np.log10(np.abs(response))
    return np.where(np.isfinite(size), size, np.nan)


def curves_of(name, predicted, closed_at, measured, update_s, count=240):
    """(cut, PredictedLoop or None, frequency => predicted closed response or None, MeasuredCurve or None) => Curves at the
    measured frequencies, or where nothing was measured at `count` of the predicted ones."""
    cut = predicted.cuts.get(name) if predicted is not None else None
    if measured is not None:
        f = measured.frequency_Hz
    else:
        f = frequencies(update_s, count)
        lowest = 0.02 * (cut.margins.crossover_Hz or 50.0 * f[0]) if cut is not None else f[0]
        f = f[f >= lowest]
    none = np.full(len(f), np.nan, dtype=complex)
    within = (cut.margins.crossover_Hz or 0.0) if cut is not None else None
    return Curves(
        name=name, frequency_Hz=f, predicted_open=cut.loop(f) if cut is not None else none,
        predicted_closed=closed_at(f) if closed_at is not None else none,
        measured_open=measured.open if measured is not None else none,
        measured_closed=measured.closed if measured is not None and measured.closed is not None else none,
        coherence=measured.coherence if measured is not None else np.full(len(f), np.nan),
        deviation=measured.deviation if measured is not None else np.full(len(f), np.nan),
        trusted=measured.trusted if measured is not None else np.zeros(len(f), dtype=bool), within_Hz=within,
    )  # fmt: skip
