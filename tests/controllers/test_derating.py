"""Derating by temperature in the built-in controller: the straight line, the steady point it finds, no limit cycle."""

import numpy as np
import pytest
from shared_benches import BASE, MACHINE_D, merge

from simcore import Bench
from simcore.scenario.reader import scenario_from

MOSFET = {"kind": "mosfet", "on_resistance_ohm": [[25.0, 5e-3], [150.0, 8e-3]], "max_junction_degC": 120.0}
HEAT = {"coolant_degC": 60.0, "switch": {"foster": [[0.3, 0.02], [0.5, 0.1]]}, "derate_from_degC": 100.0}


def run(change, mode="torque", commands=None, duration_s=2.0):
    document = merge(BASE, {
        "machine": MACHINE_D, "inverter": {"devices": MOSFET, "heat": HEAT}, "controller": {"mode": mode},
        "load": {"speed_rpm": 1000.0}, "run": {"duration_s": duration_s},
    })  # fmt: skip
    document["commands"] = commands or {"torque_Nm": 100.0}
    return Bench(scenario_from(merge(document, change), path="derating.toml")).run()


@pytest.fixture(scope="module")
def hot():
    return run({})


def test_a_hot_junction_takes_torque_away_by_the_straight_line(hot):
    """Nominal 108 Nm at 300 A; the share left at the mean junction temperature is (120 - T)/20."""
    late = hot.slice(1.8, 2.0)
    left = (120.0 - np.mean(late["junction_degC"])) / 20.0
    assert 0.0 < left < 1.0
    assert np.mean(late["torque_Nm"]) == pytest.approx(108.0 * left, rel=0.01)
    assert np.all(late["binding_limit"] == 9) and hot.binding_names[9] == "temperature"
    assert np.max(hot["junction_degC"]) < 120.0


def test_it_settles_without_a_limit_cycle(hot):
    """What swings at the end is the junction's own ripple (66.7 Hz electrical, six devices: 400 Hz), not the derating."""
    early, late = (np.ptp(hot.slice(at, at + 0.2)["iq_reference_A"]) for at in (1.2, 1.8))
    assert late < 0.02 * 300.0 and late < 1.2 * early


def test_below_its_start_nothing_is_taken():
    cool = run({"inverter": {"heat": {"derate_from_degC": 119.0}}}, commands={"torque_Nm": 20.0}, duration_s=0.3)
    assert np.mean(cool["torque_Nm"][3000:]) == pytest.approx(20.0, rel=1e-3)
    assert np.all(cool["binding_limit"][100:] == 0)


def test_current_mode_is_derated_too():
    late = run({}, mode="current", commands={"iq_A": 290.0}).slice(1.8, 2.0)
    left = (120.0 - np.mean(late["junction_degC"])) / 20.0
    assert np.mean(late["iq_A"]) == pytest.approx(300.0 * left, rel=0.01)
    assert np.all(late["binding_limit"] == 9)


@pytest.mark.parametrize("node", ["winding", "magnet"])
def test_winding_and_magnet_limit_it_too(node):
    """Temperatures held by huge heat capacities, half way between both ends: half the torque."""
    heat = {"winding_J_per_K": 1e7, "iron_J_per_K": 1e7, "magnet_J_per_K": 1e7, "winding_to_iron_K_per_W": 10.0,
            "iron_to_coolant_K_per_W": 10.0, "magnet_to_iron_K_per_W": 10.0, "coolant_degC": 60.0,
            f"max_{node}_degC": 130.0, f"derate_from_{node}_degC": 110.0}  # fmt: skip
    cold = {"heat": {"switch": {"foster": [[1e-4, 0.1]]}}}
    change = {"machine": {"heat": heat, f"{node}_temperature_degC": 120.0}, "inverter": cold}
    recording = run(change, duration_s=0.4)
    assert recording["torque_reference_Nm"][-1] <= 100.0
    assert np.mean(recording["torque_Nm"][6000:]) == pytest.approx(54.0, rel=0.01)
    assert recording["binding_limit"][-1] == 9


def test_without_derating_the_current_limit_keeps_its_name():
    """A request beyond the machine: the current binds, not the temperature, also where a torque slew is on its way."""
    cold = {"heat": {"switch": {"foster": [[0.01, 0.02]]}}}
    change = {"controller": {"tuning": {"torque_slew_Nm_per_s": 5000.0}}, "inverter": cold}
    recording = run(change, commands={"torque_Nm": 150.0}, duration_s=0.1)
    assert recording["junction_degC"][-1] < 100.0
    assert set(recording["binding_limit"][1500:]) == {1.0}
    assert recording["torque_Nm"][-1] == pytest.approx(108.0, rel=2e-3)
