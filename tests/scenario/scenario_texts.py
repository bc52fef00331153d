"""A scenario that is right, as text, and ways to spoil it."""

import tomllib

import pytest

from simcore.scenario import ScenarioError, load_scenario
from simcore.scenario.toml_text import write_toml

GOOD = """\
title = "Torque steps on a rig"

[machine]
kind = "constants"
pole_pairs = 4
stator_resistance_ohm = 0.010
inductance_d_H = 0.2e-3
inductance_q_H = 0.6e-3
magnet_flux_Wb = 0.07
max_current_A = 400
max_speed_rpm = 12000

[inverter]
model = "switched"
switching_frequency_Hz = 10000
dead_time_s = 1.0e-6
link_capacitance_F = 600e-6

[supply]
kind = "source"
voltage_V = 700
resistance_ohm = 0.02
inductance_H = 2e-6

[sensors.current]
adc_bits = 12
range_A = 600

[sensors.position]
kind = "resolver"

[load]
kind = "rig"
speed_rpm = [[0.0, 3000]]

[controller]
mode = "torque"
[controller.tuning]
current_bandwidth_Hz = 500

[commands]
torque_Nm = [[0.0, 0.0], [0.05, 150.0], [0.20, -150.0]]

[run]
duration_s = 0.3

[[expect]]
signal = "torque_Nm"
measure = "settling_time_s"
step_at_s = 0.05
band_percent = 2
max = 0.004

[[expect]]
signal = "torque_Nm"
measure = "peak_to_peak"
from_s = 0.10
to_s = 0.20
max = 3.0

[[scope]]
from_s = 0.10
to_s = 0.11
step_s = 0.5e-6
"""
FREE = {"kind": "free", "inertia_kg_m2": 0.05}
REMOVE = object()


def good():
    """The scenario above as a fresh dict."""
    return tomllib.loads(GOOD)


def spoiled(**changes):
    """The good dict with changes: a__b=value sets or (REMOVE) deletes a.b; numbers index lists."""
    document = good()
    for name, value in changes.items():
        *path, last = [int(p) if p.isdigit() else p for p in name.split("__")]
        here = document
        for part in path:
            here = here[part] if isinstance(here, list) else here.setdefault(part, {})
        if value is REMOVE:
            del here[last]
        else:
            here[last] = value
    return document


def write(folder, document, name="bench.toml"):
    """Write a dict or a text and return the path."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(document if isinstance(document, str) else write_toml(document), encoding="utf-8")
    return path


def problems_of(path, overrides=()):
    """All sentences with which a file is refused."""
    with pytest.raises(ScenarioError) as caught:
        load_scenario(path, overrides)
    assert all(p.endswith((".", "?")) and "\n" not in p for p in caught.value.problems)
    return caught.value.problems
