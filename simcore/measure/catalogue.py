"""The measures by name. To add one: write a function of a Request, give it a line here."""

from dataclasses import dataclass
from typing import Any

from simcore.measure import responses, spectra, statistics
from simcore.measure.errors import MeasureError, unknown_name

MEASURES = {
    "mean": statistics.mean,
    "min": statistics.minimum,
    "max": statistics.maximum,
    "final": statistics.final,
    "rms": statistics.rms,
    "peak_to_peak": statistics.peak_to_peak,
    "integral": statistics.integral,
    "rise_time_s": responses.rise_time,
    "settling_time_s": responses.settling_time,
    "overshoot_percent": responses.overshoot,
    "steady_error": responses.steady_error,
    "harmonic_amplitude": spectra.harmonic_amplitude,
    "thd_percent": spectra.thd,
}

_STEP_MEASURES = ("rise_time_s", "settling_time_s", "overshoot_percent", "steady_error")
_ORDER_MEASURES = ("harmonic_amplitude", "thd_percent")


@dataclass(frozen=True)
class Request:
    """What is asked of a recording: one signal, the window and what the measure needs besides."""

    recording: Any
    signal: str
    from_s: float | None = None
    to_s: float | None = None
    step_at_s: float | None = None
    band_percent: float = 2.0
    order: float | None = None
    fundamental_Hz: float | None = None


def measure_signal(
    recording,
    signal,
    measure,
    *,
    from_s=None,
    to_s=None,
    step_at_s=None,
    band_percent=2.0,
    order=None,
    fundamental_Hz=None,
):
    """(recording, signal, measure, window) => float in the unit that the measure's and the signal's name say.

    Windows are [from_s, to_s). Raises MeasureError (a ValueError) with one sentence where there is no such number.
    """
    if measure not in MEASURES:
        raise MeasureError(unknown_name("measure", measure, MEASURES))
    _refuse_stray("step_at_s", step_at_s, measure, _STEP_MEASURES)
    _refuse_stray("order", order, measure, _ORDER_MEASURES[:1])
    _refuse_stray("fundamental_Hz", fundamental_Hz, measure, _ORDER_MEASURES)
    band = 2.0 if band_percent is None else band_percent
    return MEASURES[measure](Request(recording, signal, from_s, to_s, step_at_s, band, order, fundamental_Hz))


def _refuse_stray(key, value, measure, owners):
    """A key that the measure would ignore misleads: better no number than another one than was meant."""
    if value is not None and measure not in owners:
        raise MeasureError(f"{measure}: {key} does not belong to it, only to {', '.join(owners)}. Leave it out.")
