"""Every fault of a leg on each of the three, for both directions of its current: phase voltages by who conducts.

5 H hold what they start with, so that the leg at the rotor's angle carries 60 A and each of the others half of it back.  With
the others' mean at u Vdc the broken leg's phase voltage is 2/3 (v - u Vdc); no source but Kirchhoff.
"""

import math

import numpy as np
import pytest
from faulty import TICK_S, faulty_scenario

from controllers import Command, Controller
from simcore import Bench

LINK_V, CARRIER_Hz, ON, OFF, END = 400.0, 1e4, 100, 150, 200
LEGS = "abc"
DIODE = 2.0 / 3.0 * 0.5 * LINK_V  # a rail against the others at one half


class Duties(Controller):
    """The same duties all the time, gates off from an update on where one is given."""

    def __init__(self, leg, own, others, off_from=None):
        self.duties = [others] * 3
        self.duties[LEGS.index(leg)] = own
        self.off_from = math.inf if off_from is None else off_from * TICK_S

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(*self.duties, gates_on=measured.time_s < self.off_from - 1e-9)


def phase_V(leg, current_A, fault, own=0.5, others=0.5, off_from=None, **tables):
    """(leg, current out of it, fault, duties) => its mean phase voltage before, during and after the fault."""
    held = {
        "machine": {"stator_resistance_ohm": 0.1, "inductance_d_H": 5.0, "inductance_q_H": 5.0, "magnet_flux_Wb": 1e-12},
        "load": {"kind": "locked"},
        "controller": {"mode": "current", "delay_updates": 0},
        "initial": {"id_A": float(current_A), "angle_electrical_deg": 120.0 * LEGS.index(leg)},
        "run": {"duration_s": END * TICK_S},
    }
    times = {"at_s": ON * TICK_S, "until_s": OFF * TICK_S}
    scenario = faulty_scenario([{**fault, **times}], **held, **tables)
    recording = Bench(scenario, Duties(leg, own, others, off_from)).run()
    assert recording[f"i{leg}_A"][-1] == pytest.approx(current_A, abs=1.0)
    return tuple(float(np.mean(recording[f"v{leg}_V"][rows])) for rows in (slice(60, 98), slice(104, 148), slice(156, 196)))


@pytest.mark.parametrize("leg", LEGS)
@pytest.mark.parametrize(
    "fault, current_A, expected_V",
    [
        ({"kind": "switch_stuck_open", "side": "upper"}, 60.0, -DIODE),
        ({"kind": "switch_stuck_open", "side": "upper"}, -60.0, 0.0),
        ({"kind": "switch_stuck_open", "side": "lower"}, -60.0, DIODE),
        ({"kind": "switch_stuck_open", "side": "lower"}, 60.0, 0.0),
        ({"kind": "gate_driver_lost"}, 60.0, -DIODE),
        ({"kind": "gate_driver_lost"}, -60.0, DIODE),
    ],
)
def test_what_does_not_turn_on_leaves_the_current_to_a_diode(verified, leg, fault, current_A, expected_V):
    """Out of the leg it comes up through the lower diode, into it it goes through the upper one."""
    before, during, after = phase_V(leg, current_A, {**fault, "leg": leg})
    what = f"phase voltage of leg {leg} with {fault['kind']} {fault.get('side', '')} at {current_A:g} A"
    verified(what, "diode path, Kirchhoff", expected_V, during, 1e-2, "V", row=False)
    assert before == pytest.approx(0.0, abs=1e-3) and after == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("leg", LEGS)
@pytest.mark.parametrize("side, current_A", [("upper", 60.0), ("lower", -60.0)])
def test_a_switch_stuck_closed_conducts_with_the_gates_off(verified, leg, side, current_A):
    """Gates off: the others' diodes lie at one rail, the leg's own at the other; the stuck switch ties it to theirs."""
    fault = {"kind": "switch_stuck_closed", "leg": leg, "side": side}
    before, during, after = phase_V(leg, current_A, fault, off_from=20)
    apart = -math.copysign(2.0 / 3.0 * LINK_V, current_A)
    verified(f"phase voltage of leg {leg}, {side} switch closed, gates off", "diode path", 0.0, during, 1e-2, "V", row=False)
    assert before == pytest.approx(apart, abs=1e-2) and after == pytest.approx(apart, abs=1e-2)


@pytest.mark.parametrize("leg", LEGS)
@pytest.mark.parametrize(
    "which, current_A, sign",
    [("turn_on", 60.0, -1), ("turn_on", -60.0, 1), ("turn_off", 60.0, 1), ("turn_off", -60.0, -1)],
)
def test_late_gates_of_both_switches_move_the_volt_seconds(verified, leg, which, current_A, sign):
    """2 us a carrier period: late on, the diode of the other rail holds longer; late off, the switch does."""
    fault = {"kind": "gate_driver_slow", "leg": leg, f"{which}_delay_s": 2e-6}
    inverter = {"model": "switched", "dead_time_s": 3e-6}
    before, during, after = phase_V(leg, current_A, fault, inverter=inverter)
    what = f"phase voltage of leg {leg} by a {which} 2 us late at {current_A:g} A"
    expected = sign * 2.0 / 3.0 * LINK_V * CARRIER_Hz * 2e-6
    verified(what, "volt seconds of an edge", expected, during - before, 1e-2, "V", row=False)
    assert after == pytest.approx(before, abs=1e-3)


@pytest.mark.parametrize("leg", LEGS)
@pytest.mark.parametrize("current_A", [60.0, -60.0])
def test_a_leg_that_shoots_through_is_a_divider(verified, leg, current_A):
    """Two halves of 1 ohm across the link: Vdc/2 - R i/4, against the others at a quarter of the link."""
    fault = {"kind": "shoot_through", "leg": leg, "resistance_ohm": 1.0}
    before, during, _ = phase_V(leg, current_A, fault, own=0.25, others=0.25)
    expected = 2.0 / 3.0 * (0.5 * LINK_V - 0.25 * current_A - 0.25 * LINK_V)
    what = f"phase voltage of leg {leg} that shoots through at {current_A:g} A"
    verified(what, "divider", expected, during, 2e-2, "V", row=False)
    assert before == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize("leg", LEGS)
def test_an_open_line_belongs_to_its_phase(leg):
    """Its current has ended within half a turn, the two others mirror each other; afterwards it comes back."""
    fault = {"kind": "phase_open", "phase": leg, "at_s": 0.01, "until_s": 0.04}
    scenario = faulty_scenario(
        [fault], load={"kind": "rig", "speed_rpm": 1000.0}, commands={"iq_A": 60.0}, initial={"iq_A": 60.0},
        run={"duration_s": 0.055},
    )  # fmt: skip
    recording = Bench(scenario).run()
    first, second = (recording[f"i{other}_A"] for other in LEGS if other != leg)
    own, parted = recording[f"i{leg}_A"], slice(360, 800)
    assert np.max(np.abs(own[parted])) < 1e-6 and np.max(np.abs(first[parted] + second[parted])) < 1e-6
    assert np.max(np.abs(first[parted])) > 20.0
    assert np.max(np.abs(own[:200])) > 50.0 and np.max(np.abs(own[880:])) > 40.0


class Silent(Controller):
    """Gates off from the first update on."""

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(0.5, 0.5, 0.5, gates_on=False)


@pytest.mark.parametrize("pair", ["ab", "bc", "ca"])
def test_a_short_of_two_terminals_is_the_circuit_of_two_phases(verified, pair):
    """Gates off, EMF below the link, round machine: 2 L di/dt + (2 R + r) i = e2 - e1; the third phase carries nothing.

    Closed form of an RL circuit on a sine, in its steady state.
    """
    r, inductance, psi, p, speed_rpm, ohm = 0.05, 0.3e-3, 0.05, 4, 2000.0, 0.02
    machine = {"stator_resistance_ohm": r, "inductance_d_H": inductance, "inductance_q_H": inductance, "magnet_flux_Wb": psi}
    scenario = faulty_scenario(
        [{"kind": "phase_phase_short", "phases": pair, "resistance_ohm": ohm, "at_s": 0.002}], machine=machine,
        load={"kind": "rig", "speed_rpm": speed_rpm}, controller={"mode": "current", "delay_updates": 0},
        run={"duration_s": 0.06},
    )  # fmt: skip
    recording = Bench(scenario, Silent()).run()
    omega = p * speed_rpm * math.pi / 30.0
    angle = omega * recording.time_s
    shift = {"a": 0.0, "b": 2.0 * math.pi / 3.0, "c": -2.0 * math.pi / 3.0}
    # Steady phasor of i1 (out of the short into phase 1): v12 = 0 = 2 L i' + 2 R i + r i + e1 - e2, e = -omega psi sin(angle).
    impedance = complex(2.0 * r + ohm, 2.0 * omega * inductance)
    drive = omega * psi * 1j * (np.exp(-1j * shift[pair[0]]) - np.exp(-1j * shift[pair[1]]))  # of -e in Re(. exp(j angle))
    steady = np.real(-drive / impedance * np.exp(1j * angle))
    late = recording.time_s > 0.05  # nine time constants 2 L/(2 R + r) of 5 ms
    found = recording[f"i{pair[0]}_A"]
    size = float(np.max(np.abs(steady)))
    off = float(np.max(np.abs(found[late] - steady[late])))
    what = f"farthest from the steady current of a short {pair}, of {size:.0f} A"
    verified(what, "RL circuit", 0.0, off, 0.1, "A", row=False)
    third = next(phase for phase in LEGS if phase not in pair)
    assert np.max(np.abs(recording[f"i{third}_A"])) < 1e-5
