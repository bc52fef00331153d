"""Which limit bound, for how long, and how near the voltage came."""

import numpy as np

BINDING_NAMES = {
    0: "none",
    1: "current",
    2: "voltage",
    3: "voltage_and_current",
    4: "mtpv",
    5: "modulator",
    6: "torque_slew",
    7: "speed",
}


def code_names(recording, signal):
    """(recording, "binding_limit" | "state") => {code: name}, as the recording tells, else the house's own."""
    told = getattr(recording, "binding_names" if signal == "binding_limit" else "state_names", None)
    if told:
        return {int(code): str(name) for code, name in told.items()}
    return dict(BINDING_NAMES) if signal == "binding_limit" else {0: "running"}


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


def binding_shares(recording):
    """recording => {name of the binding limit: share of time}."""
    return shares(recording, "binding_limit")


def lowest_voltage_margin(recording):
    """recording => (least voltage margin [V], its instant [s]) among the rows; (nan, nan) where none was recorded."""
    if "voltage_margin_V" not in recording.signals:
        return float("nan"), float("nan")
    margin = np.asarray(recording["voltage_margin_V"], dtype=np.float64)
    if not np.isfinite(margin).any():
        return float("nan"), float("nan")
    k = int(np.nanargmin(np.where(np.isfinite(margin), margin, np.nan)))
    return float(margin[k]), float(recording.time_s[k])
