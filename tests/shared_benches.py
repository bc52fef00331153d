"""Machines and the base bench that tests start from: plain dictionaries."""

import copy

# Published regression machines in amplitude-invariant (peak) figures; see tests/reference for their sources.
MACHINE_D = {
    "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.010, "inductance_d_H": 0.25e-3,
    "inductance_q_H": 0.25e-3, "magnet_flux_Wb": 0.06, "max_current_A": 300, "max_speed_rpm": 20000,
}  # fmt: skip
MACHINE_E = {
    "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.010, "inductance_d_H": 0.2e-3,
    "inductance_q_H": 0.6e-3, "magnet_flux_Wb": 0.07, "max_current_A": 400, "max_speed_rpm": 20000,
}  # fmt: skip

# Machines of the reference tests with shorted terminals: closed forms, worked apart from this project.
SHORTED = [  # machine, speed [rpm], id, iq [A]; or the greatest braking torque [Nm] and where it lies
    ("A", 6000.0, -10.07406, -0.20042, None),
    ("D", 6000.0, -239.93922, -3.81875, None),
    ("E", 6000.0, -349.95383, -2.32070, None),
    ("A", 275.6871, None, None, -1.610564),
    ("B", 778.4483, None, None, -10.126610),
    ("D", 95.4930, None, None, -43.200000),
    ("E", 101.1613, None, None, -93.435396),
]


def merge(base, change):
    """(dict, dict) => deep-merged copy; lists and plain values are replaced."""
    merged = copy.deepcopy(base)
    for key, value in change.items():
        if isinstance(value, dict) and isinstance(merged.get(key), dict):
            merged[key] = merge(merged[key], value)
        else:
            merged[key] = copy.deepcopy(value)
    return merged


BASE = {
    "machine": MACHINE_E,
    "inverter": {"switching_frequency_Hz": 10000},
    "supply": {"kind": "source", "voltage_V": 400},
    "load": {"kind": "rig", "speed_rpm": 1000},
    "controller": {"mode": "current", "tuning": {"current_bandwidth_Hz": 500}},
    "commands": {"id_A": 0.0, "iq_A": 0.0},
    "run": {"duration_s": 0.05, "record_every": 1},
}

# A short run of a shipped motor, as a user writes it.
SMALL_PUMP = """\
title = "A small one"
[machine]
part = "motors/bilge_pump"
[inverter]
part = "inverters/mosfet_48v"
[supply]
voltage_V = 48
[load]
kind = "rig"
speed_rpm = 500
[controller]
mode = "current"
[controller.tuning]
current_bandwidth_Hz = 400
[commands]
iq_A = [[0.0, 0.0], [0.001, 5.0]]
[run]
duration_s = 0.02
"""
