"""Energy of a journey: gross, regenerated and net apart, and what an average efficiency is.  Case from practice."""

import numpy as np
import pytest
from field_case import run_case

VEHICLE = {
    "kind": "vehicle", "mass_kg": 1800.0, "road_load": {"F0_N": 120.0, "F1_N_per_kmh": 0.2, "F2_N_per_kmh2": 0.03},
    "wheel_radius_m": 0.32, "gear_ratio": 9.0,
}  # fmt: skip
BATTERY = {
    "kind": "battery", "open_circuit_voltage_V": [[0.0, 350.0], [1.0, 420.0]], "resistance_ohm": 0.05, "capacity_Ah": 150.0,
    "state_of_charge": 0.7,
}  # fmt: skip


@pytest.fixture(scope="module")
def journey():
    """Up to some 50 km/h with 160 Nm, a stretch at low torque, down again with -160 Nm: ends slower than walking pace."""
    return run_case(
        machine={"inductance_d_H": 0.2e-3, "inductance_q_H": 0.6e-3, "magnet_flux_Wb": 0.07, "max_current_A": 400},
        inverter={"switching_frequency_Hz": 5000, "link_capacitance_F": 2e-3},
        supply=BATTERY,
        load=VEHICLE,
        controller={"mode": "torque", "tuning": {"current_bandwidth_Hz": 200}},
        commands={"torque_Nm": [[0.0, 160.0], [5.5, 10.0], [9.0, -160.0], [13.7, 0.0]]},
        run={"duration_s": 14.0, "record_every": 10},
    )


def energies(recording):
    """=> gross out of the battery, regenerated into it [J], from the recorded power of every row."""
    joule = recording["power_supply_W"] * recording.row_length_s
    return joule[joule > 0.0].sum(), -joule[joule < 0.0].sum()


def test_gross_regenerated_and_net_are_three_numbers(journey):
    """The audit tells what went out of the battery and what came back apart; their difference is the net."""
    gross, regenerated = energies(journey)
    assert regenerated > 0.5 * gross > 0.0
    assert journey.audit["energy_in_J"] == pytest.approx(gross, rel=1e-4)
    assert journey.audit["energy_out_J"] == pytest.approx(regenerated, rel=1e-4)
    charge = -(journey["state_of_charge"][-1] - journey["state_of_charge"][0]) * 150.0 * 3600.0
    assert charge == pytest.approx(np.sum(journey["supply_current_A"] * journey.row_length_s), rel=1e-3)


def test_net_energy_is_loss_and_road_load(journey):
    """From rest to (nearly) rest the mass keeps nothing: net = each loss + road load + what is still rolling."""
    gross, regenerated = energies(journey)
    over = journey.row_length_s
    named = sum(np.sum(journey[f"loss_{name}_W"] * over) for name in ("copper", "conduction", "supply", "friction"))
    rolling = 0.5 * 1.03 * 1800.0 * (journey["vehicle_speed_kmh"][-1] / 3.6) ** 2
    assert rolling < 0.01 * gross
    assert gross - regenerated == pytest.approx(named + rolling, rel=2e-3)
    v = journey["vehicle_speed_kmh"]
    road = np.sum((120.0 + 0.2 * v + 0.03 * v**2) * v / 3.6 * over)
    assert np.sum(journey["loss_friction_W"] * over) == pytest.approx(road, rel=2e-3)
    assert abs(journey.audit["residual_relative"]) < 1e-5


def test_average_efficiency_is_a_ratio_of_energies(journey):
    """Driving phase: shaft energy over battery energy.  The mean of the momentary efficiencies weighs crawling like power."""
    driving = (journey["power_supply_W"] > 0.0) & (journey.time_s < 5.5)
    over = journey.row_length_s[driving]
    shaft, supply = journey["power_shaft_W"][driving], journey["power_supply_W"][driving]
    ratio = np.sum(shaft * over) / np.sum(supply * over)
    mean_over_time = np.mean(shaft / supply)
    spent = sum(journey[f"loss_{name}_W"][driving] for name in ("copper", "conduction", "supply"))
    assert ratio == pytest.approx(1.0 - np.sum(spent * over) / np.sum(supply * over), abs=2e-3)
    assert 0.0 < ratio < 1.0
    assert ratio - mean_over_time > 0.01
