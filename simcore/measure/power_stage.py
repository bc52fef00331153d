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
    told = {f"loss_{name}_mean_W": float(np.mean(recording[signal])) for name, signal in LOSSES.items()}
    told["junction_max_degC"] = float(np.max(recording["junction_degC"]))
    told["winding_max_degC"] = float(np.max(recording["winding_degC"]))
    told["magnet_max_degC"] = float(np.max(recording["magnet_degC"]))
    peak = float(np.max(recording["peak_voltage_V"]))
    told["turn_off_peak_V"] = peak
    rated = devices.rated_voltage_V if devices is not None else 0.0
    told["turn_off_margin_V"] = rated - peak if rated > 0.0 else None
    steepest = float(np.max(recording["dv_dt_V_per_s"]))
    told["dv_dt_max_V_per_s"] = steepest if steepest > 0.0 else None
    return told
