"""A battery's RC pair within one tick and in the balance of energy."""

import math

import pytest

FLAT = {"replace": True, "kind": "battery", "open_circuit_voltage_V": [[0.0, 400.0], [1.0, 400.0]], "capacity_Ah": 1000.0,
        "state_of_charge": 0.5, "resistance_ohm": 0.1, "auxiliary_W": 5000.0}  # fmt: skip


def loaded(run_scenario, duration_s, **pair):
    supply = FLAT | {f"polarisation_{name}": value for name, value in pair.items()}
    return run_scenario(supply=supply, inverter={"link_capacitance_F": 1e-3}, run={"duration_s": duration_s})


def test_a_pair_faster_than_a_tick_is_a_resistance(run_scenario):
    """20 us in ticks of 50 us, settled under a constant power: v = OCV - (R + Rp) P/v."""
    recording = loaded(run_scenario, 0.02, resistance_ohm=0.05, time_constant_s=20e-6)
    settled = 0.5 * (400.0 + math.sqrt(400.0**2 - 4.0 * 0.15 * 5000.0))
    assert recording["link_voltage_V"][-1] == pytest.approx(settled, abs=1e-3)


def test_what_the_pair_stores_is_half_its_capacitance_times_voltage_squared(run_scenario):
    """tau/Rp = 16.7 mF, charged to Rp x 12.9 A; with it every joule of the run is told."""
    recording = loaded(run_scenario, 0.05, resistance_ohm=0.3, time_constant_s=5e-3)
    current = recording["supply_current_A"][-1]
    stored = recording.audit["stored_changes_J"]["battery_polarisation"]
    assert stored == pytest.approx(0.5 * 5e-3 / 0.3 * (0.3 * current) ** 2, rel=1e-3)
    assert abs(recording.audit["residual_relative"]) < 1e-7
