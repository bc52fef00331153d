"""Switches stuck open or closed, drivers lost or slow, lines that part: against a circuit solved node by node in small steps.

No source but Ohm and Kirchhoff.  The circuit's own error (backward Euler, 0.5 us) is some tenths of an ampere in a hundred.
"""

import numpy as np
import pytest
from broken_drive import BEGIN, CAPACITOR, END, TICKS, broken, duties, scenario
from duty_source import DutySource
from patched_run import run_patched

NODES = "resistances for switches and diodes, node by node, backward Euler"
TOLERANCE_A, TOLERANCE_V = 0.5, 4.0

# name: fields of FAULTS, and what the circuit is told
CASES = {
    "upper switch never conducts": ({("stuck_open", 0): 1}, {"forced": {0: False}}),
    "lower switch never conducts": ({("stuck_open", 5): 1}, {"forced": {5: False}}),
    "two switches of different legs never conduct": (
        {("stuck_open", 1): 1, ("stuck_open", 2): 1}, {"forced": {1: False, 2: False}},
    ),
    "one leg without drivers": ({("driver_lost", 1): 1}, {"forced": {2: False, 3: False}}),
    "one leg without drivers at high EMF": ({("driver_lost", 2): 1}, {"forced": {4: False, 5: False}, "share": 1.3}),
    "lower switch stuck closed, link fed through 0.1 ohm": ({("stuck_closed", 1): 1}, {"forced": {1: True}, **CAPACITOR}),
    "upper switch stuck closed, ideal link": ({("stuck_closed", 4): 1}, {"forced": {4: True}}),
    "both switches of a leg on": (
        {("stuck_closed", 2): 1, ("stuck_closed", 3): 1}, {"forced": {2: True, 3: True}, **CAPACITOR},
    ),
    "upper switch stuck closed, all gates off": (
        {("stuck_closed", 0): 1}, {"forced": {0: True}, "off": (BEGIN, END), "share": 0.8},
    ),
    "one gate late to turn on": ({("on_delay_s", 0): 8e-6}, {"on_delay": (8e-6, 0, 0, 0, 0, 0)}),
    "one gate so late to turn off that both are on": (
        {("off_delay_s", 3): 8e-6}, {"off_delay": (0, 0, 0, 8e-6, 0, 0), "through_ohm": 0.5, **CAPACITOR},
    ),
    "one line opens": ({("phase_open", 0): 1}, {"lines": (0,)}),
    "one line opens at high EMF": ({("phase_open", 2): 1}, {"lines": (2,), "share": 1.3}),
    "one line opens, gates off": ({("phase_open", 1): 1}, {"lines": (1,), "share": 1.3, "off": (BEGIN + 5, TICKS)}),
    "two lines open": ({("phase_open", 0): 1, ("phase_open", 1): 1}, {"lines": (0, 1)}),
    "a line opens and a driver is lost": (
        {("phase_open", 0): 1, ("driver_lost", 2): 1}, {"lines": (0,), "forced": {4: False, 5: False}, "share": 1.2},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_a_broken_leg_does_what_its_circuit_does(verified, name):
    fault, told = CASES[name]
    recording, (found, expected), (link_V, expected_V) = broken(fault, **told)
    assert np.abs(expected[BEGIN:]).max() > 20.0
    what = "farthest phase current from a circuit of resistances, broken legs of a salient machine (of 20 to 200 A)"
    verified(what, NODES, 0.0, np.max(np.abs(found - expected)), TOLERANCE_A, "A")
    assert np.max(np.abs(link_V - expected_V)) < TOLERANCE_V
    assert abs(recording.audit["residual_relative"]) < 1e-5
    if not told.get("through_ohm") and "short_circuit" not in recording.audit["losses_J"]:
        # Ideal switches and diodes: no joule may be lost in the legs.
        assert abs(recording.audit["losses_J"]["conduction"]) < 1e-6


def test_a_parted_line_carries_nothing_and_the_others_mirror_each_other():
    recording, _, _ = broken({("phase_open", 2): 1}, lines=(2,))
    after = slice(BEGIN + 12, END)
    assert np.max(np.abs(recording["ic_A"][after])) < 1e-6
    assert recording["ia_A"][after] == pytest.approx(-recording["ib_A"][after], abs=1e-6)
    assert np.max(np.abs(recording["ia_A"][after])) > 10.0


def test_a_parted_line_does_not_say_where_the_others_float():
    """Gates off, line c open, line-line peak of the EMF 0.9 of the link: a and b lie about the middle of the link, c where it
    may, beyond a rail at times."""
    recording, _, _ = broken({("phase_open", 2): 1}, lines=(2,), share=0.9, off=(BEGIN, TICKS),
                             scope=[{"from_s": 15 * 50e-6, "to_s": END * 50e-6, "step_s": 5e-6}])  # fmt: skip
    legs = [recording.scopes[0][f"leg_{name}_V"] for name in "abc"]
    assert legs[0] + legs[1] == pytest.approx(400.0, abs=1e-6)
    assert min(legs[2].min(), 400.0 - legs[2].max()) < -50.0
    assert np.max(np.abs(recording["ia_A"][15:END])) < 1e-9


def test_a_short_through_a_leg_draws_link_voltage_over_its_resistance():
    """An ideal link of 400 V over 0.05 ohm for 20 ticks: 3.2 kJ, and all of it in the leg."""
    recording, _, _ = broken({("stuck_closed", 2): 1, ("stuck_closed", 3): 1})
    lost = recording.audit["losses_J"]["short_circuit"]
    assert lost == pytest.approx(400.0**2 / 0.05 * (END - BEGIN) * 50e-6, rel=1e-9)
    rows = recording["loss_short_W"]
    assert rows[BEGIN:END] == pytest.approx(400.0**2 / 0.05) and not rows[:BEGIN].any() and not rows[END:].any()


def test_a_link_capacitor_empties_into_a_leg_by_its_exponential():
    """No magnet, gates off, both switches of leg b on: 200 uF at 30 S falls to the source's share within a tick."""
    recording, _, _ = broken({("stuck_closed", 2): 1, ("stuck_closed", 3): 1}, share=0.0, depth=0.0, off=(BEGIN, TICKS),
                             **CAPACITOR)  # fmt: skip
    siemens = 1.0 / 0.05 + 1.0 / CAPACITOR["source_ohm"]
    ends_V = 400.0 / CAPACITOR["source_ohm"] / siemens
    since_s = 50e-6 * np.arange(END - BEGIN)
    expected = ends_V + (400.0 - ends_V) * np.exp(-since_s * siemens / CAPACITOR["capacitance"])
    assert recording["link_voltage_V"][BEGIN:END] == pytest.approx(expected, abs=3e-3)
    assert expected[1] - ends_V > 0.1 and abs(recording.audit["residual_relative"]) < 1e-5


@pytest.mark.parametrize("place", [("driver_lost", 1), ("phase_open", 0), ("stuck_open", 3)])
def test_averaged_runs_hand_over_while_something_is_broken(place):
    """Broken from the first instant on, averaged and switched runs are one; afterwards the averaged one has no edges."""
    runs = []
    for model in ("averaged", "switched"):
        played = duties(0.9)
        source = DutySource(lambda k, played=played: played[min(k, TICKS - 1)])
        runs.append(run_patched(scenario(0.5, 3e-6, model=model), source, [(0, {place: 1}), (END, {place: 0})]))
    averaged, switched = runs
    for name in ("ia_A", "ib_A", "ic_A"):
        assert averaged[name][: END + 1] == pytest.approx(switched[name][: END + 1], abs=1e-9)
        assert np.max(np.abs(averaged[name] - switched[name])) > 1e-3
    assert abs(averaged.audit["residual_relative"]) < 1e-5


def test_with_nothing_broken_the_run_is_the_same_to_the_last_bit():
    """`active` alone: the same events in the same order, by the other route, within rounding."""
    plain, _, _ = broken({})
    told, _, _ = broken({("phase_open", 0): 0})
    assert np.array_equal(plain["ia_A"], told["ia_A"])
    watched, _, _ = broken({("on_delay_s", 0): 1e-300})
    assert watched["ia_A"] == pytest.approx(plain["ia_A"], abs=1e-7)
