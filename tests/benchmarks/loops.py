"""Scenarios of the benchmarks and of the twin's tests, as tables to merge into the shared base scenario."""

NOISY_SENSORS = {
    "current": {
        "noise_rms_A": 0.5, "adc_bits": 12, "range_A": 600, "gain": [1.0, 1.005, 0.995], "offset_A": [0.5, -0.3, 0.1],
    },
    "position": {
        "kind": "resolver", "pole_pairs": 4, "noise_rms": 1e-3, "amplitude_imbalance": 0.002, "quadrature_error_deg": 0.1,
        "tracking_natural_frequency_Hz": 300, "tracking_damping": 0.7,
    },
    "link_voltage": {"noise_rms_V": 0.3, "adc_bits": 12, "range_V": 800},
}  # fmt: skip
SUPPLY = {"voltage_V": 400, "resistance_ohm": 0.02, "inductance_H": 2e-6}

# 10 kHz, double update, 20 000 periods: sensors with noise, resolver with tracking loop, dead time, torque steps.
NOISY = {
    "inverter": {"switching_frequency_Hz": 10000, "dead_time_s": 1e-6, "link_capacitance_F": 500e-6},
    "supply": SUPPLY,
    "load": {"speed_rpm": 3000},
    "sensors": NOISY_SENSORS,
    "controller": {"replace": True, "mode": "torque", "tuning": {"current_bandwidth_Hz": 500}},
    "commands": {"replace": True, "torque_Nm": [[0.0, 0.0], [0.1, 150.0], [1.0, -100.0]]},
    "run": {"duration_s": 2.0, "record_every": 10},
}

IDEAL_LEGS = {"inverter": {"dead_time_s": 0.0}}
IDEAL = {**IDEAL_LEGS, "sensors": {"replace": True}}
SWITCHED = {"inverter": {"model": "switched"}}


def changed(base, *changes):
    """(tables, tables to put over them) => deep-merged; a changed table with `replace=True` stands alone."""
    merged = dict(base)
    for change in changes:
        for name, value in change.items():
            inner = isinstance(value, dict) and isinstance(merged.get(name), dict) and not value.get("replace")
            merged[name] = changed(merged[name], value) if inner else value
    return merged
