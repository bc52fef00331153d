"""All gates off by command: diodes alone, against a circuit solved by scipy, with switched and with averaged legs.

No source but Kirchhoff; the hand-over is checked by what must not change: the state at the instant, and every joule.
"""

import math

import numpy as np
import pytest
from diode_bridge import Bridge, SalientBridge, command_edges
from duty_source import DutySource, run_duties

from controllers import CompiledController
from simcore import Bench
from simcore.loop.monitor_log import STATE_NAMES

TICK_S, VDC = 50e-6, 400.0
SHIFTS = np.array([0.0, 2.0 * math.pi / 3.0, -2.0 * math.pi / 3.0])
CIRCUIT = "ideal switches and diodes by Kirchhoff's laws, scipy solve_ivp"
OFF, ON, TICKS = 12, 40, 60
PHASES = ("ia_A", "ib_A", "ic_A")


def drive(depth, flux, omega_e, inductance, dead_s, start_rad=0.0, resistance=0.5, model="switched", **tables):
    """=> (recording with the gates off from tick OFF to ON, the same by the circuit (ticks, 3))."""
    angles = start_rad + omega_e * TICK_S * (np.arange(TICKS)[:, None] + 0.5) - SHIFTS
    duties = 0.5 - 0.5 * depth * np.sin(angles)
    duties[0] = 0.5
    both = np.broadcast_to(inductance, 2)
    recording = run_duties(
        lambda update: None if OFF <= update < ON else duties[min(update, TICKS - 1)],
        machine={"stator_resistance_ohm": resistance, "inductance_d_H": float(both[0]), "inductance_q_H": float(both[1]),
                 "magnet_flux_Wb": flux},
        inverter={"dead_time_s": dead_s, "model": model},
        supply={"voltage_V": VDC},
        load={"kind": "rig", "speed_rpm": omega_e * 30.0 / math.pi},
        initial={"angle_electrical_deg": math.degrees(start_rad)},
        run={"duration_s": TICKS * TICK_S, "substeps": 8},
        **tables,
    )  # fmt: skip
    edges = [command_edges(duties[:, leg], TICK_S) for leg in range(3)]
    if both[0] == both[1]:
        emf = lambda t: -omega_e * flux * np.sin(omega_e * t + start_rad - SHIFTS)  # noqa: E731
        circuit = Bridge(resistance, both[0], VDC, emf, edges, dead_s)
    else:
        circuit = SalientBridge(resistance, both, flux, omega_e, start_rad, VDC, edges, dead_s)
    circuit.all_off = (OFF * TICK_S, ON * TICK_S)
    return recording, circuit


def phases(recording):
    return np.column_stack([recording[name] for name in PHASES])


# EMF from a fraction of the link to well above it: currents end and stay away, or go on by the diodes.
EMF_SHARES = (0.0, 0.5, 0.9, 1.05, 1.4)


@pytest.mark.parametrize("inductance", [0.6e-3, (0.3e-3, 0.9e-3)], ids=["round", "salient"])
@pytest.mark.parametrize("share", EMF_SHARES)
def test_gates_off_and_on_again_as_in_the_circuit(verified, share, inductance):
    """share: line-line peak of the EMF over the link voltage."""
    omega_e = 2500.0
    flux = max(share * VDC / math.sqrt(3.0) / omega_e, 1e-9)
    recording, circuit = drive(min(0.8 * share + 0.15, 0.95), flux, omega_e, inductance, 3e-6, start_rad=0.4)
    expected = circuit.run(np.arange(TICKS) * TICK_S)
    assert np.abs(expected[OFF]).max() > 1.0
    if share < 1.0:
        assert np.abs(expected[ON]).max() < 1e-6
    else:
        assert np.abs(expected[OFF + 5 : ON]).max() > (1.0 if share > 1.1 else 0.01)
    what = "farthest phase current from an ideal-switch circuit, gates off for 1.4 ms"
    verified(what, CIRCUIT, 0.0, np.max(np.abs(phases(recording) - expected)), 1e-6, "A")


@pytest.mark.parametrize("inductance", [0.6e-3, (0.3e-3, 0.9e-3)], ids=["round", "salient"])
@pytest.mark.parametrize("share, start_rad", [(1.001, 0.1), (1.01, 0.4), (1.03, 1.5), (1.05, 2.8), (1.4, 0.0), (1.4, 4.1)])
def test_diodes_begin_from_no_current(verified, share, start_rad, inductance):
    """EMF a little above the link: two legs begin together, in pulses that end again; farther above all three conduct."""
    omega_e, ticks = 2500.0, 80
    flux = share * VDC / math.sqrt(3.0) / omega_e
    both = np.broadcast_to(inductance, 2)
    recording = run_duties(
        lambda update: None,
        machine={"stator_resistance_ohm": 0.5, "inductance_d_H": float(both[0]), "inductance_q_H": float(both[1]),
                 "magnet_flux_Wb": flux},
        inverter={"model": "averaged"},
        controller={"delay_updates": 0},
        load={"kind": "rig", "speed_rpm": omega_e * 30.0 / math.pi},
        initial={"angle_electrical_deg": math.degrees(start_rad)},
        run={"duration_s": ticks * TICK_S, "substeps": 4},
    )  # fmt: skip
    circuit = SalientBridge(0.5, both, flux, omega_e, start_rad, VDC, [[(0.0, 0)]] * 3, 0.0)
    circuit.all_off = (0.0, 1.0)
    expected = circuit.run(np.arange(ticks) * TICK_S)
    without = np.count_nonzero(np.abs(expected).max(axis=1) < 1e-9)
    assert without >= (20 if share < 1.02 else 1) and np.abs(expected).max() > 0.003
    what = "farthest phase current from an ideal-switch circuit, diodes alone, begun without current"
    verified(what, CIRCUIT, 0.0, np.max(np.abs(phases(recording) - expected)), 1e-5, "A")


def test_states_are_told_from_the_update_at_which_the_command_acts():
    recording, _ = drive(0.5, 0.05, 1000.0, 0.6e-3, 0.0)
    states = [STATE_NAMES[int(code)] for code in recording["state"]]
    assert states == ["running"] * OFF + ["gates_off"] * (ON - OFF) + ["running"] * (TICKS - ON)


@pytest.mark.parametrize("share", [0.5, 1.4])
def test_averaged_legs_hand_over_and_take_back(share):
    """While the gates are off both models are one; the averaged run before and after is that of averaged legs.

    Gates off: from the same state the switched integration gives the same.  Back: an averaged run begun in that state goes on
    alike.
    """
    omega_e = 2500.0
    flux = share * VDC / math.sqrt(3.0) / omega_e
    recording, circuit = drive(min(0.8 * share + 0.15, 0.95), flux, omega_e, (0.3e-3, 0.9e-3), 1e-6, start_rad=0.4,
                               model="averaged")  # fmt: skip

    def restarted(row, model, gates):
        begun = dict(id_A=float(recording["id_A"][row]), iq_A=float(recording["iq_A"][row]),
                     angle_electrical_deg=math.degrees(0.4 + omega_e * row * TICK_S))  # fmt: skip
        duties = np.column_stack([recording[f"duty_{leg}"] for leg in "abc"])
        return run_duties(
            lambda update: None if gates == "off" else duties[min(row + update, TICKS - 1)],
            machine={"stator_resistance_ohm": 0.5, "inductance_d_H": 0.3e-3, "inductance_q_H": 0.9e-3, "magnet_flux_Wb": flux},
            inverter={"dead_time_s": 1e-6, "model": model},
            supply={"voltage_V": VDC},
            load={"kind": "rig", "speed_rpm": omega_e * 30.0 / math.pi},
            controller={"delay_updates": 0},
            initial=begun,
            run={"duration_s": 20 * TICK_S, "substeps": 8},
        )  # fmt: skip

    for row, model, gates in ((OFF, "switched", "off"), (ON, "averaged", "on")):
        again = restarted(row, model, gates)
        assert phases(again) == pytest.approx(phases(recording)[row : row + 20], abs=1e-6), gates
    assert abs(recording.audit["residual_relative"]) < 1e-6


class Chopped(CompiledController):
    """Gates on and off in turns, 15 updates each; the same from Python and from machine code."""

    state = ("k",)

    def prepare(self, setup, p, s):
        pass

    @staticmethod
    def update(p, s, m, c):
        s.k += 1.0
        c.duty_a, c.duty_b, c.duty_c = 0.6, 0.45, 0.4
        c.gates_on = 1 if int(s.k) // 15 % 2 == 0 else 0


@pytest.mark.parametrize("model", ["averaged", "switched"])
@pytest.mark.parametrize("delay", [0, 1, 3])
def test_compiled_controllers_turn_gates_off_as_python_ones_do(make_scenario, model, delay):
    scenario = make_scenario(
        inverter={"model": model, "dead_time_s": 1e-6}, load={"speed_rpm": 9000}, controller={"delay_updates": delay},
        run={"duration_s": 0.01},
    )  # fmt: skip
    compiled = Bench(scenario, controller=Chopped()).run()
    python = Bench(scenario, controller=Chopped()).run(in_python=True)
    off = np.flatnonzero(np.diff(compiled["state"]) > 0.5) + 1
    assert off[0] == 14 + delay
    for name in ("ia_A", "ib_A", "psi_d_Wb", "state", "supply_current_A"):
        assert np.array_equal(compiled[name], python[name]), name
    assert abs(compiled.audit["residual_relative"]) < 1e-5


def test_off_from_the_first_instant_carries_no_current_below_the_onset(make_scenario):
    """Line-line peak of the EMF below the link: no current, no torque, nothing drawn."""

    class Never(DutySource):
        def __init__(self):
            super().__init__(lambda update: None)

    scenario = make_scenario(controller={"delay_updates": 0}, load={"speed_rpm": 3000}, run={"duration_s": 0.02})
    recording = Bench(scenario, controller=Never()).run()
    assert np.abs(phases(recording)).max() < 1e-9
    assert np.abs(recording["power_supply_W"]).max() < 1e-6
