"""Open-loop duties for the checks in this folder: plays given leg duties, update by update."""

import math

import numpy as np

from controllers import Command, Controller

PHASE_SHIFT = np.array([0.0, 2.0 * math.pi / 3.0, -2.0 * math.pi / 3.0])

# Equal inductances; the loop wants some magnet, so it gets one that induces nanovolts.
RL_LOAD = {
    "kind": "constants", "pole_pairs": 1, "stator_resistance_ohm": 0.1, "inductance_d_H": 1e-3, "inductance_q_H": 1e-3,
    "magnet_flux_Wb": 1e-12, "max_current_A": 100, "max_speed_rpm": 100000,
}  # fmt: skip


class DutyPlayer(Controller):
    """duties(t) => (a, b, c) for the instant t at which they begin to act: sampled at regular instants, as Holmes and Lipo say.

    What the controller is told by the sensors is recorded beside (controller_ia_A ...).
    """

    signals = ("ia_A", "ib_A", "ic_A", "angle_rad", "speed_rpm", "link_V")

    def __init__(self, duties):
        self.duties = duties

    def reset(self, setup):
        self.update_s = setup.update_s
        self.update = setup.delay_updates

    def step(self, measured):
        duties = self.duties(self.update * self.update_s)
        self.update += 1
        seen = (measured.ia_A, measured.ib_A, measured.ic_A, measured.angle_electrical_rad, measured.speed_rpm)
        return Command(*(float(duty) for duty in duties), extra=(*seen, measured.link_voltage_V))


def zero_sequence(kind, phases, depth, angle):
    """(modulator, phase references, depth M, angle of phase a) => what all three legs get on top, in units of Vdc/2."""
    if kind == "svpwm":
        return -0.5 * (phases.max() + phases.min())
    if kind == "third_harmonic":
        return -depth / 6.0 * math.cos(3.0 * angle)
    return 0.0


def sine_duties(depth, frequency_Hz, phase_rad=0.0, kind="sine"):
    """(M = peak / (Vdc/2), f1, angle of phase a at t = 0, modulator) => function of time for DutyPlayer."""

    def duties(t):
        angle = 2.0 * math.pi * frequency_Hz * t + phase_rad
        phases = depth * np.cos(angle - PHASE_SHIFT)
        return 0.5 + 0.5 * (phases + zero_sequence(kind, phases, depth, angle))

    return duties


def constant_duties(a, b, c):
    """Three duties that never change."""
    return lambda t: (a, b, c)


def run_duties(duties, **tables):
    """(function of time => three duties, scenario tables that change the base) => Recording of an RL load, shaft locked."""
    from simcore import Bench
    from simcore.scenario.reader import scenario_from

    document = {
        "machine": RL_LOAD,
        "inverter": {"switching_frequency_Hz": 10000},
        "supply": {"kind": "source", "voltage_V": 400},
        "load": {"kind": "locked"},
        "controller": {"mode": "current"},
        "commands": {"id_A": 0.0, "iq_A": 0.0},
        "run": {"duration_s": 0.05},
    }
    for name, table in tables.items():
        fresh = name == "load" or not isinstance(table, dict)
        document[name] = table if fresh else {**document.get(name, {}), **table}
    return Bench(scenario_from(document, path="open_loop.toml"), controller=DutyPlayer(duties)).run()


def component(values, angle_rad, order):
    """(samples over whole periods, angle of each) => complex amplitude c with values = Re(c exp(j order angle))."""
    return 2.0 * np.mean(values * np.exp(-1j * order * angle_rad))
