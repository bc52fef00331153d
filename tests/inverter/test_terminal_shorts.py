"""Resistances between the machine's terminals: against a circuit solved node by node, and what sensors see of it.

No source but Ohm and Kirchhoff.
"""

import math

import numpy as np
import pytest
from broken_drive import BEGIN, CAPACITOR, END, TICKS, broken, duties, scenario
from duty_source import DutySource, run_duties
from patched_run import run_patched

NODES = "resistances for switches and diodes, node by node, backward Euler"
OFF = {"off": (BEGIN + 5, TICKS)}
CASES = {
    "a to b under way": ({("short_ohm", 0): 0.2}, {"shorts": (5.0, 0.0, 0.0)}),
    "b to c without dead time": ({("short_ohm", 1): 0.2}, {"shorts": (0.0, 5.0, 0.0), "dead_s": 0.0}),
    "c to a, gates off, above the onset": ({("short_ohm", 2): 0.05}, {"shorts": (0.0, 0.0, 20.0), "share": 1.3, **OFF}),
    "b to c, gates off, below the onset": ({("short_ohm", 1): 0.05}, {"shorts": (0.0, 20.0, 0.0), "share": 0.6, **OFF}),
    "all three, gates off": (
        {("short_ohm", k): 0.05 for k in range(3)}, {"shorts": (20.0,) * 3, "share": 1.3, "off": (BEGIN, TICKS)},
    ),
    "all three under way": ({("short_ohm", k): 0.3 for k in range(3)}, {"shorts": (1.0 / 0.3,) * 3}),
    "a to b to c, gates off": (
        {("short_ohm", 0): 0.05, ("short_ohm", 1): 0.05}, {"shorts": (20.0, 20.0, 0.0), "share": 1.3, "off": (BEGIN, TICKS)},
    ),
    "a to b, line c opens": ({("short_ohm", 0): 0.2, ("phase_open", 2): 1}, {"shorts": (5.0, 0.0, 0.0), "lines": (2,)}),
    "a to b, line a opens": (
        {("short_ohm", 0): 0.2, ("phase_open", 0): 1}, {"shorts": (5.0, 0.0, 0.0), "lines": (0,), "share": 1.3, **OFF},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_shorted_terminals_do_what_their_circuit_does(verified, name):
    fault, told = CASES[name]
    recording, (found, expected), (link_V, expected_V) = broken(fault, **told, **CAPACITOR)
    assert np.abs(expected[BEGIN:]).max() > 20.0
    what = "farthest phase current from a circuit of resistances, terminals shorted (of 60 to 400 A)"
    verified(what, NODES, 0.0, np.max(np.abs(found - expected)), 0.7, "A")
    assert np.max(np.abs(link_V - expected_V)) < 4.0
    audit = recording.audit
    assert abs(audit["residual_relative"]) < 1e-5
    assert audit["losses_J"]["short_circuit"] > 1.0
    assert abs(audit["losses_J"]["conduction"]) < 1e-5 * audit["energy_in_J"]


def test_current_sensors_sit_between_leg_and_short():
    """Phase a to b at rest: the sensors see what the legs give, v_ab/R on top of the windings' current; the windings do not."""
    recording, _, _ = broken({("short_ohm", 0): 0.2}, shorts=(5.0, 0.0, 0.0), dead_s=0.0)
    seen, true = recording["controller_ia_A"], recording["ia_A"]
    # Row k's instant is the carrier's valley or peak, where all three legs lie at one rail: nothing flows across there.
    assert seen[END:] == pytest.approx(true[END:], abs=1e-9)
    sampled = broken({("short_ohm", 0): 0.2}, shorts=(5.0, 0.0, 0.0), dead_s=0.0, sample_shift_s=20e-6)[0]
    between = np.abs(sampled["controller_ia_A"] + sampled["controller_ib_A"] + sampled["controller_ic_A"])
    assert np.max(between) < 1e-6
    assert np.max(np.abs(sampled["controller_ia_A"][BEGIN:END])) == pytest.approx(400.0 * 5.0, rel=0.1)
    assert np.max(np.abs(sampled["ia_A"])) < 200.0


def test_peaks_between_the_ticks_are_kept_for_comparators():
    """At the ticks all three legs lie at one rail and the short carries nothing; in between it carries 400 V/0.2 ohm."""
    kept, played = [], duties(0.9)
    source = DutySource(lambda k: played[min(k, TICKS - 1)])
    fault = {("short_ohm", 0): 0.2, ("stuck_closed", 5): 1, "through_ohm": 0.5}
    run_patched(scenario(0.5, 0.0), source, [(BEGIN, fault)], lambda params, states: kept.append(states[0]["legs"]))
    (legs,) = kept  # as they stand after the last tick
    assert legs["line_peak_A"] == pytest.approx(2000.0, abs=120.0)
    assert legs["through_A"] == pytest.approx(800.0)


def test_a_short_between_two_driven_legs_draws_the_link_over_its_resistance():
    """No magnet and little current: energy in the short is (Vdc^2/R) x time in which the two legs differ."""
    recording, _, _ = broken({("short_ohm", 0): 0.2}, shorts=(5.0, 0.0, 0.0), dead_s=0.0, share=0.0, depth=0.6)
    apart = np.abs(recording["duty_a"] - recording["duty_b"])[BEGIN:END]
    expected = 400.0**2 / 0.2 * np.sum(apart) * 50e-6
    assert recording.audit["losses_J"]["short_circuit"] == pytest.approx(expected, rel=1e-9)


def test_with_gates_off_a_symmetric_short_brakes_as_an_active_one_does(verified):
    """Machine E (invented) at 6000 rpm, 1 mohm between each two terminals: a star of a third of that on top of R."""
    flux, l_d, l_q, ohm = 0.07, 0.2e-3, 0.6e-3, 0.01
    omega = 4.0 * 6000.0 * math.pi / 30.0
    recording = run_duties(
        lambda update: None,
        machine={"pole_pairs": 4, "stator_resistance_ohm": ohm, "inductance_d_H": l_d, "inductance_q_H": l_q,
                 "magnet_flux_Wb": flux, "max_current_A": 400, "max_speed_rpm": 20000},
        controller={"delay_updates": 0},
        load={"kind": "rig", "speed_rpm": 6000},
        fault=[{"kind": "three_phase_short", "at_s": 0.0, "resistance_ohm": 1e-3}],
        run={"duration_s": 0.6, "substeps": 4, "record_every": 4},
    )  # fmt: skip
    whole = ohm + 1e-3 / 3.0
    below = whole**2 + omega**2 * l_d * l_q
    source = "steady state of the voltage equations; Welchko et al. 2003 [M]"
    what = "three-phase short at the terminals, gates off, machine E at 6000 rpm: "
    verified(what + "id", source, -(omega**2) * l_q * flux / below, recording["id_A"][-1], 2e-4, "A")
    verified(what + "iq", source, -omega * whole * flux / below, recording["iq_A"][-1], 2e-4, "A")
    assert abs(recording.audit["residual_relative"]) < 1e-6
