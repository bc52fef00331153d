"""The power stage of a recording in a few numbers."""

import numpy as np

LOSSES = {
    "conduction": "loss_conduction_W", "switching": "loss_switching_W", "gate_drivers": "loss_gate_W",
    "link_capacitor": "loss_capacitor_W",
}  # fmt: skip


def power_stage(recording):
    """recording => dict of the power stage, None where the run did not reckon with it.

    Mean losses [W], hottest temperatures [degC], worst turn-off: peak voltage [V], margin to the rated voltage (None where the
    part gives none), dv/dt at the terminals [V/s] (None likewise).
    """
    if not getattr(recording, "has_power", False) or not len(recording):
        return None
    devices = recording.scenario.inverter.devices
    told = {f"loss_{name}_mean_W": _of(recording, signal, np.mean) for name, signal in LOSSES.items()}
    for node in ("junction", "winding", "magnet"):
        told[f"{node}_max_degC"] = _of(recording, f"{node}_degC", np.max)
    peak = _of(recording, "peak_voltage_V", np.max)
    told["turn_off_peak_V"] = peak
    rated = devices.rated_voltage_V if devices is not None else 0.0
    told["turn_off_margin_V"] = rated - peak if rated > 0.0 else None
    steepest = _of(recording, "dv_dt_V_per_s", np.max)
    told["dv_dt_max_V_per_s"] = steepest if steepest > 0.0 else None
    return told


def _of(recording, signal, number):
    """One number of a signal, which is not kept afterwards: a long recording has many."""
    value = float(number(recording[signal]))
    recording.forget(signal)
    return value
