"""A recording in a few numbers, for metrics.json."""

import numpy as np

from simcore.measure.braking import braking
from simcore.measure.limits import binding_shares, code_names, lowest_voltage_margin, negative_margin_share, shares
from simcore.measure.power_stage import power_stage

_SUMMED_UP = ("torque_Nm", "speed_rpm", "id_A", "iq_A", "link_voltage_V", "link_current_A")


def summarise(recording):
    """recording => dict: final and mean of the main signals, peak current, voltage margin, limits, closing state.

    Numbers that were not recorded are nan.
    """
    summary = {"rows": len(recording.time_s), "row_s": float(recording.row_s)}
    for signal in _SUMMED_UP:
        values = finite(recording, signal)
        summary[f"{signal}_final"] = float(values[-1]) if len(values) else float("nan")
        summary[f"{signal}_mean"] = float(np.mean(values)) if len(values) else float("nan")
    summary["phase_current_peak_A"] = _peak_current(recording)
    margin, at_s = lowest_voltage_margin(recording)
    summary["voltage_margin_min_V"], summary["voltage_margin_min_at_s"] = margin, at_s
    summary["voltage_margin_negative_share"] = negative_margin_share(recording)
    summary["binding_limit_shares"] = binding_shares(recording)
    summary["state_shares"] = shares(recording, "state")
    summary["binding_limit_codes"] = _by_name(recording, "binding_limit")
    summary["state_codes"] = _by_name(recording, "state")
    stage = power_stage(recording)
    if stage is not None:
        summary["power_stage"] = stage
    returned = braking(recording)
    if returned is not None:
        summary["braking"] = returned
    log = getattr(recording, "monitor", None)
    if log is not None:
        summary["monitor"] = dict(log)
        summary["tripped_by_codes"] = _by_name(recording, "tripped_by")
    summary["closing"] = dict(getattr(recording, "closing", None) or {})
    return summary


def finite(recording, signal):
    """(recording, signal) => its finite values (n,), none where it was not recorded."""
    if signal not in recording.signals:
        return np.empty(0)
    values = np.asarray(recording[signal], dtype=np.float64)
    return values[np.isfinite(values)]


def _peak_current(recording):
    """Largest length of the current vector [A]; the peak that a phase can see at that instant."""
    if "id_A" not in recording.signals or "iq_A" not in recording.signals:
        return float("nan")
    length = np.hypot(recording["id_A"], recording["iq_A"])
    return float(np.nanmax(length)) if np.isfinite(length).any() else float("nan")


def _by_name(recording, signal):
    return {name: code for code, name in code_names(recording, signal).items()}
