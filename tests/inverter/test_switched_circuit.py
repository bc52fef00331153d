"""Switched legs against a circuit of ideal switches and diodes solved by scipy's solve_ivp (no source but Kirchhoff)."""

import math

import numpy as np
import pytest
from diode_bridge import Bridge, SalientBridge, command_edges
from duty_source import run_duties

TICK_S, VDC = 50e-6, 400.0
CIRCUIT = "ideal switches and diodes by Kirchhoff's laws, scipy solve_ivp"
FARTHEST = "farthest phase current from an ideal-switch circuit, {}"
SHIFTS = np.array([0.0, 2.0 * math.pi / 3.0, -2.0 * math.pi / 3.0])


def compare(duties, dead_s, ticks, *, resistance=0.1, inductance=1e-3, flux=1e-12, omega_e=0.0, start_rad=0.0, pulse_s=0.0,
            diode_V=0.0):  # fmt: skip
    """duties (ticks, 3), the first row 0.5 => currents at ticks of the loop (ticks, 3), of the circuit (ticks, 3), circuit.

    inductance: one number, or those of the d and q axes.
    """
    both = np.broadcast_to(inductance, 2)
    devices = {"devices": {"kind": "mosfet", "on_resistance_ohm": 0.0, "diode": {"threshold_V": diode_V}}} if diode_V else {}
    recording = run_duties(
        lambda update: duties[min(update, ticks - 1)],
        machine={"stator_resistance_ohm": resistance, "inductance_d_H": float(both[0]), "inductance_q_H": float(both[1]),
                 "magnet_flux_Wb": flux},
        inverter={"dead_time_s": dead_s, "minimum_pulse_s": pulse_s, **devices},
        supply={"voltage_V": VDC},
        load={"kind": "rig", "speed_rpm": omega_e * 30.0 / math.pi} if omega_e else {"kind": "locked"},
        initial={"angle_electrical_deg": math.degrees(start_rad)},
        run={"duration_s": ticks * TICK_S, "substeps": 8},
    )  # fmt: skip
    seen = np.column_stack([recording[name] for name in ("ia_A", "ib_A", "ic_A")])
    edges = [command_edges(duties[:, leg], TICK_S, pulse_s) for leg in range(3)]
    if both[0] != both[1]:
        circuit = SalientBridge(resistance, both, flux, omega_e, start_rad, VDC, edges, dead_s)
    else:
        circuit = Bridge(
            resistance, both[0], VDC, lambda t: -omega_e * flux * np.sin(omega_e * t + start_rad - SHIFTS), edges, dead_s,
            diode_V,
        )  # fmt: skip
    return seen, circuit.run(np.arange(ticks) * TICK_S), circuit


def farthest(seen, expected):
    return np.max(np.abs(seen - expected))


def slow_turn(ticks, depth, per_tick_rad):
    """Sine duties of little depth whose first row is one half."""
    angles = per_tick_rad * np.arange(ticks)[:, None] - SHIFTS
    duties = 0.5 + 0.5 * depth * np.cos(angles)
    duties[0] = 0.5
    return duties


def test_without_dead_time_the_currents_are_those_of_the_circuit(verified):
    duties = slow_turn(24, 0.6, 0.15)
    seen, expected, _ = compare(duties, 0.0, 24)
    assert np.ptp(expected) > 5.0
    verified(FARTHEST.format("no dead time"), CIRCUIT, 0.0, farthest(seen, expected), 1e-7, "A")


def test_dead_time_with_currents_that_keep_their_sign():
    """From tick 4 on the currents are tens of amperes and the diodes take over at once."""
    duties = np.tile([0.7, 0.45, 0.3], (24, 1))
    duties[0] = 0.5
    seen, expected, circuit = compare(duties, 3e-6, 24, inductance=0.2e-3)
    assert np.abs(expected[-1]).min() > 5.0
    assert seen == pytest.approx(expected, abs=1e-6)


def test_currents_that_end_in_the_dead_time_stay_at_zero(verified):
    """Small currents end inside the dead time: the leg floats until its gate turns on (zero-current clamping)."""
    duties = slow_turn(40, 0.3, 0.2)
    seen, expected, circuit = compare(duties, 6e-6, 40, resistance=2.0, inductance=0.3e-3)
    assert circuit.clamped_s > 20e-6  # it does happen
    assert np.ptp(expected) > 5.0
    what = FARTHEST.format("zero-current clamping, dead time 6 us")
    verified(what, CIRCUIT, 0.0, farthest(seen, expected), 1e-6, "A")


def test_dead_times_that_swallow_all_voltage_leave_no_current():
    """Duties so near each other that every edge falls into the dead time of the others: no leg ever drives a current."""
    duties = slow_turn(20, 0.04, 0.2)
    seen, expected, circuit = compare(duties, 6e-6, 20, inductance=0.3e-3)
    assert np.all(expected == 0.0)
    assert np.max(np.abs(seen)) < 1e-8


@pytest.mark.parametrize("seed", [*range(8), 20, 30])
def test_any_duties_with_dead_times_across_ticks(verified, seed):
    """Random duties: zero and full ones, pulses shorter than the dead time, edges at tick boundaries, dead times that last
    into the next tick, legs at one rail while another floats at its voltage."""
    rng = np.random.default_rng(seed)
    ticks = 30
    duties = rng.choice([0.0, 1.0, 0.02, 0.98, 0.5, 0.4, 0.6, 0.07, 0.93], size=(ticks, 3))
    duties[0] = 0.5
    seen, expected, _ = compare(duties, 5e-6, ticks, resistance=2.0, inductance=1e-3)
    assert np.ptp(expected) > 5.0
    what = FARTHEST.format("random duties, dead time 5 us")
    verified(what, CIRCUIT, 0.0, farthest(seen, expected), 1e-6, "A")


def no_load(seed, low, high, ticks=30):
    """Duties that nearly balance the EMF of a fast machine, a long dead time => what compare() needs."""
    rng = np.random.default_rng(seed)
    omega_e, start = rng.uniform(1000.0, 3000.0), rng.uniform(0.0, 6.0)
    emf = rng.uniform(low, high) * VDC / math.sqrt(3.0)
    angles = start + omega_e * TICK_S * (np.arange(ticks)[:, None] + 0.5) - SHIFTS
    duties = 0.5 - emf / VDC * np.sin(angles) + rng.choice([0.0, 0.003, 0.03]) * rng.normal(size=(ticks, 3))
    duties -= 0.5 * (duties.max(axis=1) + duties.min(axis=1))[:, None] - 0.5
    duties = np.clip(duties, 0.0, 1.0)
    duties[0] = 0.5
    machine = {"resistance": 0.5, "inductance": rng.choice([0.2e-3, 1e-3]), "flux": emf / omega_e}
    return duties, rng.uniform(8e-6, 14e-6), ticks, {**machine, "omega_e": omega_e, "start_rad": start}


# At low EMF two legs float at once; at high EMF a free voltage drifts over a rail between two switching events.
NO_LOAD = [(seed, 0.2, 0.3) for seed in (0, 1, 2, 7, 15, 35)] + [(seed, 0.3, 0.6) for seed in (0, 30, 59, 65)]


@pytest.mark.parametrize("seed, low, high", NO_LOAD)
def test_back_emf_turns_diodes_on_in_the_dead_time(verified, seed, low, high):
    """At speed, nearly without current, the EMF drives floating legs beyond the rails and their diodes conduct."""
    duties, dead_s, ticks, machine = no_load(seed, low, high)
    seen, expected, circuit = compare(duties, dead_s, ticks, **machine)
    assert circuit.clamped_s > 5e-6
    what = FARTHEST.format("no load at speed, floating legs, dead time 8 to 14 us")
    verified(what, CIRCUIT, 0.0, farthest(seen, expected), 1e-6, "A")


@pytest.mark.parametrize("seed", range(6))
def test_any_duties_with_back_emf(seed):
    rng = np.random.default_rng(100 + seed)
    ticks = 30
    duties = rng.choice([0.0, 1.0, 0.02, 0.98, 0.5, 0.4, 0.6], size=(ticks, 3))
    duties[0] = 0.5
    seen, expected, _ = compare(
        duties, 5e-6, ticks, resistance=2.0, inductance=1e-3, flux=0.05, omega_e=2000.0, start_rad=rng.uniform(0.0, 6.0)
    )
    assert seen == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("seed", range(8))
def test_salient_machine_with_floating_legs(verified, seed):
    """Inductances of 0.3 and 0.9 mH that turn with the rotor: the open leg's voltage follows from both."""
    duties, dead_s, ticks, machine = no_load(seed, 0.2, 0.6)
    seen, expected, circuit = compare(duties, dead_s, ticks, **{**machine, "inductance": (0.3e-3, 0.9e-3)})
    assert circuit.clamped_s > 5e-6
    what = FARTHEST.format("salient, no load at speed, floating legs, dead time 8 to 14 us")
    verified(what, CIRCUIT, 0.0, farthest(seen, expected), 1e-5, "A")


@pytest.mark.parametrize("seed", range(4))
def test_a_floating_leg_moves_as_far_as_its_diodes_thresholds_let_it(seed):
    """Diodes of 15 V (exaggerated): the free voltage may leave the rails by that much before one conducts."""
    duties, dead_s, ticks, machine = no_load(seed, 0.2, 0.3)
    seen, expected, circuit = compare(duties, dead_s, ticks, diode_V=15.0, **machine)
    assert circuit.clamped_s > 5e-6
    assert seen == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("seed, low, high", NO_LOAD)
def test_scope_shows_every_leg_at_its_rail_or_floating_between_them(seed, low, high):
    """A leg whose gate is on lies at that rail, also while both others float; lines agree with the machine's own voltages."""
    duties, dead_s, ticks, machine = no_load(seed, low, high)
    recording = run_duties(
        lambda update: duties[min(update, ticks - 1)],
        machine={"stator_resistance_ohm": machine["resistance"], "inductance_d_H": machine["inductance"],
                 "inductance_q_H": machine["inductance"], "magnet_flux_Wb": machine["flux"]},
        inverter={"dead_time_s": dead_s},
        supply={"voltage_V": VDC},
        load={"kind": "rig", "speed_rpm": machine["omega_e"] * 30.0 / math.pi},
        initial={"angle_electrical_deg": math.degrees(machine["start_rad"])},
        run={"duration_s": ticks * TICK_S, "substeps": 8},
        scope=[{"from_s": 0.0, "to_s": ticks * TICK_S, "step_s": 0.37e-6}],
    )  # fmt: skip
    scope = recording.scopes[0]
    legs = np.column_stack([scope[name] for name in ("leg_a_V", "leg_b_V", "leg_c_V")])
    phases = np.column_stack([scope[name] for name in ("va_V", "vb_V", "vc_V")])
    gates = Bridge(0.0, 0.0, VDC, None, [command_edges(duties[:, leg], TICK_S) for leg in range(3)], dead_s).gates
    asked = [gates(t) for t in scope["time_s"]]
    floating = 0
    for leg in range(3):
        rail = np.array([np.nan if row[leg] is None else row[leg] * VDC for row in asked])
        on = np.isfinite(rail)
        assert legs[on, leg] == pytest.approx(rail[on], abs=1e-9)
        free = legs[~on, leg]
        floating += np.count_nonzero((free > 1.0) & (free < VDC - 1.0))
    assert floating > 10
    assert legs.min() > -1e-3 and legs.max() < VDC + 1e-3
    assert legs[:, 0] - legs[:, 1] == pytest.approx(phases[:, 0] - phases[:, 1], abs=1e-6)
    assert legs[:, 1] - legs[:, 2] == pytest.approx(phases[:, 1] - phases[:, 2], abs=1e-6)


def test_pulses_and_gaps_below_the_minimum_are_dropped(verified):
    """A pulse of duty d spans 2 d ticks: 3 us go, 5 us stay, on both sides."""
    ticks = 24
    duties = np.full((ticks, 3), 0.5)
    duties[2:, 0] = 0.03
    duties[2:, 1] = np.where(np.arange(ticks - 2) < 10, 0.05, 0.97)
    duties[2:, 2] = np.where(np.arange(ticks - 2) < 10, 0.95, 0.4)
    seen, expected, circuit = compare(duties, 1e-6, ticks, resistance=2.0, inductance=1e-3, pulse_s=4e-6)
    assert [len(edges) for edges in circuit.edges] != [ticks + 1] * 3
    what = FARTHEST.format("pulses below 4 us dropped")
    verified(what, CIRCUIT, 0.0, farthest(seen, expected), 1e-6, "A")
