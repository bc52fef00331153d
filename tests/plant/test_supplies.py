"""Battery, rectifier, chopper and auxiliary load against circuit laws."""

import math

import pytest

BATTERY = {"replace": True, "kind": "battery", "open_circuit_voltage_V": [[0.0, 300.0], [1.0, 420.0]],
           "resistance_ohm": 0.05,
           "polarisation_resistance_ohm": 0.03, "polarisation_time_constant_s": 0.05, "capacity_Ah": 0.5,
           "state_of_charge": 0.8, "auxiliary_W": 4000.0}  # fmt: skip
RECTIFIER = {"replace": True, "kind": "rectifier", "line_voltage_V": 280.0, "resistance_ohm": 0.5, "auxiliary_W": 3000.0}
LINK = {"link_capacitance_F": 1e-3}


def test_a_battery_counts_its_charge_and_relaxes(run_scenario):
    """Settled under a constant power P: v = OCV - (R + Rp) P/v; the charge falls by I t/capacity."""
    recording = run_scenario(supply=BATTERY, inverter=LINK, run={"duration_s": 0.6})
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
        supply=RECTIFIER | {"chopper": {"resistance_ohm": 5.0, "on_above_V": 450.0, "off_below_V": 440.0}}, inverter=LINK,
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
