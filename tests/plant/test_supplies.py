"""Battery, rectifier, chopper and auxiliary load against circuit laws."""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from simcore.plant.link import begin_battery_tick
from simcore.plant.records import DRIVE, LINK, PLANT_STATE

BATTERY = {"replace": True, "kind": "battery", "open_circuit_voltage_V": [[0.0, 300.0], [1.0, 420.0]],
           "resistance_ohm": 0.05,
           "polarisation_resistance_ohm": 0.03, "polarisation_time_constant_s": 0.05, "capacity_Ah": 0.5,
           "state_of_charge": 0.8, "auxiliary_W": 4000.0}  # fmt: skip
RECTIFIER = {"replace": True, "kind": "rectifier", "line_voltage_V": 280.0, "resistance_ohm": 0.5, "auxiliary_W": 3000.0}
CAPACITOR = {"link_capacitance_F": 1e-3}


def test_a_battery_counts_its_charge_and_relaxes(run_scenario):
    """Settled under a constant power P: v = OCV - (R + Rp) P/v; the charge falls by I t/capacity."""
    recording = run_scenario(supply=BATTERY, inverter=CAPACITOR, run={"duration_s": 0.6})
    current = recording.measure("supply_current_A", "mean")
    charge = recording["state_of_charge"]
    assert charge[0] == 0.8
    assert charge[-1] == pytest.approx(0.8 - current * 0.6 / 1800.0, rel=1e-6)
    open_V = 300.0 + 120.0 * charge[-1]
    settled = 0.5 * (open_V + math.sqrt(open_V**2 - 4.0 * 0.08 * 4000.0))
    assert recording["link_voltage_V"][-1] == pytest.approx(settled, abs=2e-3)
    early = 0.5 * (396.0 + math.sqrt(396.0**2 - 4.0 * 0.05 * 4000.0))
    assert recording["link_voltage_V"][20] == pytest.approx(early, abs=0.02)
    assert abs(recording.audit["residual_relative"]) < 1e-6


def test_a_rectifier_lets_no_current_back(run_scenario):
    recording = run_scenario(
        supply=RECTIFIER | {"chopper": {"resistance_ohm": 5.0, "on_above_V": 450.0, "off_below_V": 440.0}}, inverter=CAPACITOR,
        load={"speed_rpm": 2000.0}, controller={"mode": "torque"},
        commands={"replace": True, "torque_Nm": [[0.0, 0.0], [0.05, -60.0]]}, run={"duration_s": 0.2},
    )  # fmt: skip
    assert recording["supply_current_A"].min() >= 0.0
    assert 449.0 < recording["link_voltage_V"].max() < 452.0
    # Between its thresholds the chopper burns what the brake brings and the auxiliaries leave.
    burnt = recording.measure("loss_chopper_W", "mean", from_s=0.1)
    brought = -recording.measure("power_link_W", "mean", from_s=0.1)
    assert burnt == pytest.approx(brought - 3000.0, rel=0.02)
    assert abs(recording.audit["residual_relative"]) < 1e-5


def test_the_pair_s_voltage_in_a_tick_is_the_mean_of_its_exponential():
    # v(t) = R I + (v0 - R I) exp(-t/tau), averaged by scipy over a tick as long as half the time constant.
    link, drive, plant = (np.zeros(1, dtype)[0] for dtype in (LINK, DRIVE, PLANT_STATE))
    link["polarisation_ohm"], link["polarisation_s"], link["curve_count"] = 0.03, 0.2, 1
    plant["polarisation_V"] = 1.5
    begin_battery_tick(link, drive, plant, np.array([0.5, 400.0]), 0.1, 80.0)
    mean = quad(lambda t: 2.4 + (1.5 - 2.4) * math.exp(-t / 0.2), 0.0, 0.1)[0] / 0.1
    assert drive["polarisation_V"] == pytest.approx(mean, rel=1e-9)
    assert drive["source_V"] == pytest.approx(400.0 - mean, rel=1e-12)
