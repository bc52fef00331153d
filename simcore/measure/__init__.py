"""Numbers from recordings: windows, steps, spectra, verdicts, the energy audit. NumPy only; knows no files."""

from simcore.measure.audit import audit_verdict
from simcore.measure.catalogue import MEASURES, measure_signal
from simcore.measure.errors import MeasureError
from simcore.measure.expectations import judge, question
from simcore.measure.limits import binding_shares, limits_reported, lowest_voltage_margin, negative_margin_share
from simcore.measure.summary import summarise

__all__ = [
    "MEASURES",
    "MeasureError",
    "audit_verdict",
    "binding_shares",
    "judge",
    "limits_reported",
    "lowest_voltage_margin",
    "measure_signal",
    "negative_margin_share",
    "question",
    "summarise",
]
