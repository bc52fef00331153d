"""Which limit bound, for how long, and how near the voltage came."""

import numpy as np

from controllers.contract import BINDING_LIMITS

# Signals of codes that have names.
NAMED_CODES = ("binding_limit", "state", "tripped_by")


def code_names(recording, signal):
    """(recording, "binding_limit" | "state" | "tripped_by") => {code: name}, as the recording tells, else the house's own."""
    names = {"binding_limit": "binding_names", "tripped_by": "tripped_names"}
    told = getattr(recording, names.get(signal, "state_names"), None)
    if told:
        return {int(code): str(name) for code, name in told.items()}
    return dict(BINDING_LIMITS) if signal == "binding_limit" else {0: "running" if signal == "state" else "none"}


def shares(recording, signal):
    """(recording, signal of codes) => {name: share of the rows}, in the order of the codes; only those that occur."""
    if signal not in recording.signals:
        return {}
    codes = np.asarray(recording[signal], dtype=np.float64)
    codes = codes[np.isfinite(codes)].astype(np.int64)
    if len(codes) == 0:
        return {}
    names = code_names(recording, signal)
    found, counts = np.unique(codes, return_counts=True)
    return {
        names.get(int(code), f"code_{code}"): float(count / len(codes))
        for code, count in zip(found, counts, strict=True)
    }


def limits_reported(recording):
    """recording => False where the controller tells of no limit: neither a code other than 0 nor a voltage margin."""
    if "binding_limit" not in recording.signals:
        return False
    if "voltage_margin_V" not in recording.signals or len(_finite_margins(recording)):
        return True
    return bool(np.any(np.asarray(recording["binding_limit"]) > 0))


def binding_shares(recording):
    """recording => {name of the binding limit: share of time}; empty where the controller reports none."""
    return shares(recording, "binding_limit") if limits_reported(recording) else {}


def _finite_margins(recording):
    if "voltage_margin_V" not in recording.signals:
        return np.empty(0)
    margin = np.asarray(recording["voltage_margin_V"], dtype=np.float64)
    return margin[np.isfinite(margin)]


def lowest_voltage_margin(recording):
    """recording => (least voltage margin [V], its instant [s]) among the rows; (nan, nan) where none was recorded."""
    if len(_finite_margins(recording)) == 0:
        return float("nan"), float("nan")
    margin = np.asarray(recording["voltage_margin_V"], dtype=np.float64)
    k = int(np.nanargmin(np.where(np.isfinite(margin), margin, np.nan)))
    return float(margin[k]), float(recording.time_s[k])


def negative_margin_share(recording):
    """recording => share of the time at which the voltage margin is negative, nan where none was recorded."""
    margins = _finite_margins(recording)
    return float(np.mean(margins < 0.0)) if len(margins) else float("nan")
