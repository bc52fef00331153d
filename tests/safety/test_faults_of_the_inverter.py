"""Faults of the power stage as a scenario writes them: who conducts, and one closed form each.

The circuits themselves are checked in tests/inverter; here it is shown that [[fault]] reaches them, begins and ends.
"""

import math

import numpy as np
import pytest
from faulty import TICK_S, faulty_scenario, run

from controllers import Command, Controller

# Currents that stand still: 5 H hold what they start with.
HOLDING = {
    "machine": {"stator_resistance_ohm": 0.1, "inductance_d_H": 5.0, "inductance_q_H": 5.0, "magnet_flux_Wb": 1e-12},
    "load": {"kind": "locked"},
    "initial": {"id_A": 60.0},
    "run": {"duration_s": 0.01},
}
TURNING = {"load": {"kind": "rig", "speed_rpm": 1000.0}, "commands": {"iq_A": 60.0}, "initial": {"iq_A": 60.0}}
LINK_F = 600e-6


class Held(Controller):
    """The same duties all the time; gates off from a time on."""

    def __init__(self, *duties, off_from_s=math.inf):
        self.duties, self.off_from_s = duties, off_from_s

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(*self.duties, gates_on=measured.time_s < self.off_from_s - 1e-9)


def held(faults, controller, **tables):
    from simcore import Bench

    return Bench(faulty_scenario(faults, **tables), controller).run()


def at_tick_100(kind, **keys):
    return {"kind": kind, "at_s": 100 * TICK_S, **keys}


def test_a_slow_turn_on_costs_its_share_of_the_link(verified):
    """60 A out of leg a: its upper switch comes 2 us late once a carrier period, so that va loses 2/3 of Vdc fs t."""
    fault = at_tick_100("gate_driver_slow", leg="a", turn_on_delay_s=2e-6, until_s=150 * TICK_S)
    recording = held([fault], Held(0.5, 0.5, 0.5), **HOLDING)
    before, during, after = (np.mean(recording["va_V"][rows]) for rows in (slice(60, 98), slice(102, 148), slice(152, 198)))
    source = "volt seconds of an edge"
    verified("phase voltage lost to turn-ons 2 us late", source, -2.0 / 3.0 * 400.0 * 1e4 * 2e-6, during - before, 1e-3, "V")
    assert after == pytest.approx(before, abs=1e-6)


def test_a_slow_turn_off_gives_its_share(verified):
    """The upper switch of leg a goes 2 us late; a dead time of 3 us keeps the legs apart."""
    fault = at_tick_100("gate_driver_slow", leg="a", turn_off_delay_s=2e-6)
    tables = {**HOLDING, "inverter": {"model": "switched", "dead_time_s": 3e-6}}
    recording = held([fault], Held(0.5, 0.5, 0.5), **tables)
    before, during = (np.mean(recording["va_V"][rows]) for rows in (slice(60, 98), slice(102, 198)))
    source = "volt seconds of an edge"
    verified("phase voltage won by turn-offs 2 us late", source, 2.0 / 3.0 * 400.0 * 1e4 * 2e-6, during - before, 1e-3, "V")


@pytest.mark.parametrize("kind, keys", [("switch_stuck_open", {"side": "upper"}), ("gate_driver_lost", {})])
def test_what_does_not_turn_on_leaves_positive_current_to_the_lower_diode(verified, kind, keys):
    """Duty one half and 60 A out of leg a: its terminal lies on the lower rail, half the link below the others' mean."""
    recording = held([at_tick_100(kind, leg="a", **keys)], Held(0.5, 0.5, 0.5), **HOLDING)
    during = np.mean(recording["va_V"][102:198])
    verified(f"phase voltage with {kind}, 60 A", "diode path", -2.0 / 3.0 * 200.0, during, 1e-3, "V")


def test_a_switch_stuck_open_matters_to_one_direction_of_current_only():
    """60 A into leg a flow through its upper diode whether or not the switch turns on."""
    tables = {**HOLDING, "initial": {"id_A": -60.0}}
    fault = at_tick_100("switch_stuck_open", leg="a", side="upper")
    healthy, broken = (held(faults, Held(0.5, 0.5, 0.5), **tables) for faults in ([], [fault]))
    assert np.mean(broken["va_V"][102:198]) == pytest.approx(np.mean(healthy["va_V"][102:198]), abs=1e-6)


def test_a_switch_stuck_closed_holds_its_rail(verified):
    """The lower switch of leg a stuck at duty 0: nothing changes; at duty 1/2 of b and c they stand half the link above it."""
    recording = held([at_tick_100("switch_stuck_closed", leg="a", side="lower")], Held(0.0, 0.5, 0.5), **HOLDING)
    assert np.ptp(recording["va_V"][60:198]) < 1e-3
    verified("phase voltage with the lower switch of a closed", "divider", -400.0 / 3.0, recording["va_V"][150], 1e-3, "V")


def test_a_shoot_through_empties_the_link_through_its_resistance(verified):
    """Contactor open: Vdc exp(-t/RC)."""
    ohm = 2.0
    through = {"kind": "shoot_through", "leg": "b", "resistance_ohm": ohm, "at_s": 0.001}
    faults = [{"kind": "contactor_open", "at_s": 0.001}, through]
    recording = held(
        faults, Held(0.5, 0.5, 0.5),
        **{**HOLDING, "initial": {}, "run": {"duration_s": 0.003}},
        inverter={"link_capacitance_F": LINK_F},
        supply={"kind": "source", "voltage_V": 400.0, "resistance_ohm": 0.1},
    )  # fmt: skip
    for row in (30, 50):
        expected = 400.0 * math.exp(-(row - 20) * TICK_S / (ohm * LINK_F))
        what = f"link {(row - 20) * TICK_S * 1e3:g} ms into a shoot-through of 2 ohm"
        verified(what, "RC circuit", expected, recording["link_voltage_V"][row], 1e-3 * expected, "V")
    assert abs(recording.audit["residual_relative"]) < 1e-5


def test_an_open_phase_carries_no_current_once_it_has_passed_zero():
    """And the two others carry the same: b = -c."""
    fault = {"kind": "phase_open", "phase": "a", "at_s": 0.01, "until_s": 0.04}
    recording = run([fault], **TURNING, run={"duration_s": 0.06})
    ia, ib, ic = (recording[f"i{phase}_A"] for phase in "abc")
    # 66.7 Hz: within half a turn, 7.5 ms, it has passed zero.
    parted = slice(360, 800)
    assert np.max(np.abs(ia[parted])) < 1e-6 and np.max(np.abs(ib[parted] + ic[parted])) < 1e-6
    assert np.max(np.abs(ib[parted])) > 20.0
    assert np.max(np.abs(ia[:200])) > 50.0 and np.max(np.abs(ia[900:])) > 50.0
    assert abs(recording.audit["residual_relative"]) < 1e-5


def test_shorted_terminals_of_a_turning_machine_brake_it(verified):
    """Gates off and all terminals shorted: steady id, iq of the voltage equations with v = 0 (phases see a third of the
    resistances between the terminals)."""
    ohm = 3e-3
    fault = {"kind": "three_phase_short", "resistance_ohm": ohm, "at_s": 0.01}
    recording = held(
        [fault], Held(0.5, 0.5, 0.5, off_from_s=0.005),
        load={"kind": "rig", "speed_rpm": 1500.0}, machine={"stator_resistance_ohm": 0.05}, run={"duration_s": 0.12},
    )  # fmt: skip
    omega, r, ld, lq, psi = 4.0 * 1500.0 * math.pi / 30.0, 0.05 + ohm / 3.0, 0.2e-3, 0.6e-3, 0.07
    scale = r * r + omega * omega * ld * lq
    for name, expected in (("id_A", -omega * omega * lq * psi / scale), ("iq_A", -omega * r * psi / scale)):
        what, source = f"steady {name[:2]} of a shorted machine", "voltage equations at v = 0"
        verified(what, source, expected, recording[name][-1], 1e-4 * abs(expected) + 1e-3, "A")
    assert np.max(np.abs(recording["ia_A"][120:200])) < 1e-6  # gates off, EMF below the link


def test_two_shorted_terminals_have_no_voltage_between_them():
    fault = {"kind": "phase_phase_short", "phases": "bc", "resistance_ohm": 1e-3, "at_s": 0.01}
    tables = {"load": {"kind": "rig", "speed_rpm": 1500.0}, "run": {"duration_s": 0.03}}
    recording = held([fault], Held(0.5, 0.5, 0.5, off_from_s=0.005), **tables)
    between = recording["vb_V"] - recording["vc_V"]
    current = np.max(np.abs(recording["ib_A"][210:]))
    assert current > 50.0
    assert np.max(np.abs(between[200:-1])) < 1e-3 * current * 1.1 and np.max(np.abs(between[120:200])) > 10.0
    assert np.max(np.abs(recording["ia_A"][120:])) < 1e-6
