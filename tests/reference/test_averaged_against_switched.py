"""Averaged legs lose what switched legs lose within 2 %, over a grid of speeds, torques and modulators.

A model-free check: the switched run accounts at each real edge with the current that flows there.
"""

import itertools

import numpy as np
import pytest
from shared_benches import BASE, merge

from simcore import Bench
from simcore.scenario.reader import scenario_from

SETTING = {
    "reference_voltage_V": 600.0, "energy_on_J": [[0, 0.2e-3], [150, 3.9e-3], [300, 9.0e-3], [450, 16e-3]],
    "energy_off_J": [[0, 0.1e-3], [150, 2.6e-3], [450, 11e-3]],
    "energy_recovery_J": [[0, 0.1e-3], [150, 0.5e-3], [450, 1.1e-3]],
}  # fmt: skip
DIODE = {"threshold_V": 1.0, "slope_ohm": 3.5e-3}
MOSFET = {"kind": "mosfet", "on_resistance_ohm": 4.6e-3, "diode": {"threshold_V": 3.0, "slope_ohm": 3e-3}}
IGBT = {"kind": "igbt", "threshold_V": 0.9, "slope_ohm": 4e-3, "diode": DIODE}
LOSSES = ("loss_inverter_W", "loss_conduction_W", "loss_switching_W", "loss_leg_a_W")
# Driving and braking, the least current no larger than its own ripple.  Below that the dead time holds currents at zero, which
# averaged legs smooth: it is another current then.
CURRENTS = ((-242.0, 318.0), (-60.0, 80.0), (-4.0, 28.0), (-40.0, -120.0))
SPEEDS = (500.0, 1500.0, 2500.0, 5000.0)


def losses(model, devices, modulation, speed, id_A, iq_A):
    """=> means over whole electrical periods, from the steady state on."""
    period_s = 15.0 / speed
    window_s = max(1, round(0.02 / period_s)) * period_s
    document = merge(BASE, {
        "inverter": {"model": model, "devices": devices, "gate_settings": {"one": SETTING}, "modulation": modulation,
                     "dead_time_s": 1e-6},
        "load": {"speed_rpm": speed}, "commands": {"id_A": id_A, "iq_A": iq_A}, "initial": {"id_A": id_A, "iq_A": iq_A},
        "run": {"duration_s": 0.02 + window_s},
    })  # fmt: skip
    recording = Bench(scenario_from(document, path="grid.toml")).run()
    rows = recording.time_s >= 0.02 - 1e-9
    return np.array([recording[name][rows].mean() for name in LOSSES])


@pytest.mark.parametrize("modulation", ["svpwm", "dpwm1", "sine"])
@pytest.mark.parametrize("devices", [MOSFET, IGBT], ids=["mosfet", "igbt"])
def test_within_two_percent_over_a_grid(devices, modulation):
    for speed, (id_A, iq_A) in itertools.product(SPEEDS, CURRENTS):
        if abs(id_A) < 200.0 and speed > 4000.0 and modulation == "sine":
            continue  # beyond the linear range of the sine
        averaged, switched = (losses(model, devices, modulation, speed, id_A, iq_A) for model in ("averaged", "switched"))
        where = f"{speed} rpm, {id_A} A, {iq_A} A"
        assert averaged[0] == pytest.approx(switched[0], rel=0.02), where
        assert averaged[1:3] == pytest.approx(switched[1:3], rel=0.02, abs=0.01 * switched[0]), where
