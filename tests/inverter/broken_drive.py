"""One drive with something broken, twice: on the bench and as a circuit of resistances (switch_circuit.py)."""

import math

import numpy as np
from diode_bridge import command_edges
from duty_source import RL_LOAD, DutySource
from patched_run import run_patched
from switch_circuit import SwitchCircuit, driven_gates

from simcore.scenario.reader import scenario_from

TICK_S, VDC, OMEGA_E, START_RAD, OHM = 50e-6, 400.0, 2500.0, 0.4, 0.5
INDUCTANCES = (0.3e-3, 0.9e-3)
SHIFTS = np.array([0.0, 2.0 * math.pi / 3.0, -2.0 * math.pi / 3.0])
BEGIN, END, TICKS, STEP_S = 10, 30, 40, 0.5e-6
CAPACITOR = {"capacitance": 200e-6, "source_ohm": 0.1}


def within(t, begin=BEGIN, end=END):
    return begin * TICK_S <= t < end * TICK_S


class PartedLines:
    """A line that is opened parts when the current in it passes zero."""

    def __init__(self, legs):
        self.legs, self.signs, self.parted = legs, {}, set()

    def __call__(self, t, out):
        if not within(t):
            self.signs, self.parted = {}, set()
            return (True,) * 3
        for leg in self.legs:
            sign = self.signs.setdefault(leg, np.sign(out[leg]))
            if sign * out[leg] < 0.0 or abs(out[leg]) < 1e-3:
                self.parted.add(leg)
        return tuple(leg not in self.parted for leg in range(3))


def duties(depth):
    """Sines against the EMF, their edges on the circuit's grid."""
    angles = START_RAD + OMEGA_E * TICK_S * (np.arange(TICKS)[:, None] + 0.5) - SHIFTS
    found = 0.5 - 0.5 * depth * np.sin(angles)
    found = np.round(found * 100.0) / 100.0
    found[0] = 0.5
    return found


def scenario(share, dead_s, capacitance=None, source_ohm=0.0, model="switched", sample_shift_s=0.0, scope=()):
    flux = max(share * VDC / math.sqrt(3.0) / OMEGA_E, 1e-9)
    return scenario_from({
        "machine": {**RL_LOAD, "stator_resistance_ohm": OHM, "inductance_d_H": INDUCTANCES[0],
                    "inductance_q_H": INDUCTANCES[1], "magnet_flux_Wb": flux},
        "inverter": {"switching_frequency_Hz": 10000, "model": model, "dead_time_s": dead_s,
                     "link_capacitance_F": capacitance or 1e-3},
        "supply": {"kind": "source", "voltage_V": VDC, "resistance_ohm": source_ohm},
        "load": {"kind": "rig", "speed_rpm": OMEGA_E * 30.0 / math.pi},
        "controller": {"mode": "current"},
        "commands": {"id_A": 0.0, "iq_A": 0.0},
        "initial": {"angle_electrical_deg": math.degrees(START_RAD)},
        "sensors": {"current": {"sample_shift_s": sample_shift_s}},
        "run": {"duration_s": TICKS * TICK_S, "substeps": 16 if source_ohm else 8},
        "scope": list(scope),
    }, path="broken.toml")  # fmt: skip


def broken(fault, forced=None, lines=(), shorts=(0.0, 0.0, 0.0), share=0.5, depth=0.9, dead_s=3e-6, through_ohm=0.05, off=None,
           on_delay=(0.0,) * 6, off_delay=(0.0,) * 6, model="switched", sample_shift_s=0.0, scope=(), **link):
    """(fields of FAULTS from tick BEGIN to END, what that does to the circuit) => Recording, (its currents, those of the
    circuit), (link voltages).

    forced: {device: True or False}; lines: legs whose line is opened; shorts: conductances ab, bc, ca; share: of the EMF's
    line-line peak over the link; off: (from, to) tick without gates.
    """  # fmt: skip
    off = off or (TICKS, TICKS)
    played = duties(depth)
    setup = scenario(share, dead_s, model=model, sample_shift_s=sample_shift_s, scope=scope, **link)
    source = DutySource(lambda k: None if off[0] <= k < off[1] else played[min(k, TICKS - 1)])
    healthy = {place: 0 for place in fault}
    recording = run_patched(setup, source, [(BEGIN, {**fault, "through_ohm": through_ohm}), (END, healthy)])
    edges = [command_edges(played[:, leg], TICK_S) for leg in range(3)]
    plain, slow = driven_gates(edges, dead_s), driven_gates(edges, dead_s, on_delay, off_delay)

    def gates(t):
        found = (slow if within(t) else plain)(t) & (not within(t, *off))
        if within(t):
            for device, value in (forced or {}).items():
                found[device] = value
        return found

    flux = setup.machine.magnet_flux_Wb
    circuit = SwitchCircuit(OHM, INDUCTANCES, flux, OMEGA_E, START_RAD, VDC, gates, **link)
    circuit.through_ohm, circuit.lines = through_ohm, PartedLines(lines)
    circuit.shorts = lambda t: shorts if within(t) else (0.0, 0.0, 0.0)
    currents, link_V, _ = circuit.run((TICKS - 1) * TICK_S, STEP_S, round(TICK_S / STEP_S))
    mine = np.column_stack([recording[name] for name in ("ia_A", "ib_A", "ic_A")])
    return recording, (mine, currents), (recording["link_voltage_V"], link_V)
