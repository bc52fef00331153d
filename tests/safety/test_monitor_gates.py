"""Checks of the gate drivers, against a broken power stage."""

import math

import numpy as np
import pytest
from safety_cases import run, trip

AT_s, TICK_s, LINK_V = 0.02, 50e-6, 400.0
IGBT = {"kind": "igbt", "threshold_V": 0.9, "slope_ohm": 2e-3, "diode": {"threshold_V": 1.1, "slope_ohm": 1.5e-3}}
TURNING = {
    "inverter": {"devices": IGBT, "link_capacitance_F": 1e-3},
    "supply": {"resistance_ohm": 0.05},
    "commands": {"id_A": 0.0, "iq_A": 100.0},
    "run": {"duration_s": 0.04},
}  # fmt: skip


def broken(check, fault=None, reaction="gates_off", **limits):
    """=> Recording of 100 A at 1000 rpm, broken from 20 ms on, with one check."""
    faults = [{"at_s": AT_s, **fault}] if fault else []
    return run(**TURNING, fault=faults, safety={check: {"reaction": reaction, **limits}})


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_a_healthy_switch_shows_its_drop(model):
    """0.9 V + 2 mohm x 100 A = 1.1 V at the crest; a quarter of an ampere of ripple is less than a millivolt."""
    switched = {**TURNING, "inverter": {**TURNING["inverter"], "model": model}, "commands": {"iq_A": 100.0, "id_A": 0.0}}
    at_crest = {"commands": {"id_A": 0.0, "iq_A": {"shape": "linear", "points": [[0.0, 0.0], [0.01, 100.0]]}}}
    for threshold_V, trips in ((1.08, True), (1.13, False)):
        found = run(**{**switched, **at_crest}, safety={"desaturation": {"reaction": "gates_off", "threshold_V": threshold_V}})
        assert bool(trip(found, "desaturation")) == trips


def test_a_leg_shorted_through_shows_half_the_link():
    found = trip(broken("desaturation", {"kind": "shoot_through", "leg": "b", "resistance_ohm": 0.2}), "desaturation")
    assert found["at_s"] == pytest.approx(AT_s + TICK_s, abs=1e-9)
    assert 0.3 * LINK_V < found["value"] < 0.51 * LINK_V  # the link sags through its 50 mohm


@pytest.mark.parametrize("side", ["upper", "lower"])
def test_a_switch_that_does_not_conduct_shows_the_link_once_its_diode_does_not_carry_the_current(side):
    """Within a period of 15 ms the current of its leg has its direction, and then the switch bears the link."""
    found = trip(broken("desaturation", {"kind": "switch_stuck_open", "leg": "c", "side": side}), "desaturation")
    assert AT_s < found["at_s"] < AT_s + 0.015 and found["value"] == pytest.approx(LINK_V, rel=0.03)


def test_a_switch_that_never_turns_off_shorts_its_partner():
    found = trip(broken("desaturation", {"kind": "switch_stuck_closed", "leg": "a", "side": "upper"}), "desaturation")
    assert found["at_s"] <= AT_s + 2 * TICK_s + 1e-9


def test_by_default_it_trips_at_five_volts_or_two_and_a_half_times_the_current():
    """0.9 V + 2 mohm x 2.5 x 400 A = 2.9 V is below 5 V."""
    assert trip(broken("desaturation", {"kind": "shoot_through", "leg": "a"}), "desaturation")["limit"] == 5.0


def test_a_lost_driver_does_not_follow():
    """Waits from the first tick on; 1 us is passed after one tick, 0.2 ms of debounce four ticks later."""
    found = broken("gate_feedback", {"kind": "gate_driver_lost", "leg": "a"})
    at = trip(found, "gate_feedback")
    assert at["at_s"] == pytest.approx(AT_s + 5 * TICK_s, abs=1e-9) and at["value"] == pytest.approx(5 * TICK_s)
    assert np.abs(found["ia_A"][-50:]).max() < 1e-6


@pytest.mark.parametrize("delay_s, trips", [(1.2e-6, True), (0.8e-6, False)])
@pytest.mark.parametrize("which", ["turn_on_delay_s", "turn_off_delay_s"])
def test_a_slow_driver_follows_late(delay_s, trips, which):
    found = trip(broken("gate_feedback", {"kind": "gate_driver_slow", "leg": "b", which: delay_s}), "gate_feedback")
    assert bool(found) == trips
    if trips:
        assert found["value"] == pytest.approx(delay_s)


def test_gates_that_are_off_by_command_are_not_missed():
    """The monitor turns them off first; then a lost driver changes nothing."""
    found = run(
        **TURNING, fault=[{"kind": "gate_driver_lost", "leg": "a", "at_s": AT_s}],
        safety={"overcurrent": {"threshold_A": 50.0, "reaction": "gates_off"}, "gate_feedback": {"reaction": "gates_off"}},
    )  # fmt: skip
    assert {one["check"] for one in found.monitor["trips"]} == {"overcurrent"}


def test_an_open_line_makes_currents_implausible():
    """What two phases carry against three voltages: the model's currents go on, the measured one stays zero."""
    found = broken("current_plausibility", {"kind": "phase_open", "phase": "a"}, threshold_A=40.0)
    at = trip(found, "current_plausibility")
    assert AT_s < at["at_s"] < AT_s + 0.015
    assert math.isfinite(at["value"])


def test_shorted_terminals_pass_the_comparators():
    found = broken("overcurrent_fast", {"kind": "phase_phase_short", "phases": "bc"}, threshold_A=600.0)
    assert trip(found, "overcurrent_fast")["at_s"] <= AT_s + 2 * TICK_s + 1e-9
