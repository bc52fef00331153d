"""The runs of a self-test: at standstill all around, slowly in both directions, fast."""

import math
from dataclasses import dataclass

import numpy as np

from simcore.inverter.modulation import MODULATIONS, linear_limit
from simcore.study.machine_torque import Machine
from simcore.study.selftest.answers import first_voltage, settle
from simcore.study.selftest.asking import asked_mode, full_question
from simcore.study.selftest.benches import Benches

# Uneven, so that no turn rate of a wrong transform looks like another one.
ANGLES_DEG = (11.0, 49.0, 98.0, 164.0, 222.0, 305.0)
CURRENT_SHARE, PROBE_SHARE = 0.3, 0.05  # of max_current_A
VOLTAGE_SHARE = 0.7  # of the linear limit at high speed
CLAMPED = 0.56  # of the link voltage: little below the linear limit of 1/sqrt(3)
SLOW_HZ = 25.0  # electrical
SETTLE_S, FAST_S, FEW_UPDATES = 0.04, 0.03, 14


@dataclass(frozen=True)
class WayToVoltage:
    """How far the rotor turns at high speed: degrees an update period, and update periods from sample to mid-voltage."""

    degrees_per_update: float
    updates: float

    @property
    def whole_deg(self):
        return self.degrees_per_update * self.updates


class Probing:
    """(scenario, controller) => every run that the checks look at, made when it is asked for."""

    def __init__(self, scenario, controller=None, *, with_sensors=False, before_run=None):
        self.mode = asked_mode(scenario)
        self.benches = Benches(scenario, controller, with_sensors=with_sensors, before_run=before_run)
        self.machine = Machine(scenario)
        self.link_V = self.benches.link_V
        self.size_A = CURRENT_SHARE * self.machine.max_current_A
        self.fast_rpm = self._fast_rpm(scenario)
        self.slow_rpm = min(60.0 * SLOW_HZ / self.machine.pole_pairs, 0.25 * self.fast_rpm)
        self.question = full_question(self.mode, self.machine, CURRENT_SHARE, 0.5 * self.fast_rpm, self.link_V)
        if self.mode == "speed":
            # A shaft that the greatest torque brings to the high speed in half a second.
            speed = self.fast_rpm * math.pi / 30.0
            self.benches.give_inertia(0.5 * self.machine.greatest_torque(self.machine.max_current_A) / speed)
        self.updates = max(200, round(SETTLE_S / self.benches.update_s))
        self.angles_rad = np.radians([(a + 180.0) % 360.0 - 180.0 for a in ANGLES_DEG])

    def _fast_rpm(self, scenario):
        """The speed at which the full current takes VOLTAGE_SHARE of the linear limit, at most the machine's greatest."""
        limit_V = VOLTAGE_SHARE * linear_limit(MODULATIONS[scenario.inverter.modulation], self.link_V)
        flux = max(abs(self.machine.flux(1j * self.size_A)), 1e-9)
        return min(limit_V / flux / self.machine.pole_pairs * 30.0 / math.pi, self.machine.max_speed_rpm)

    def at_rest(self, share):
        """(question, complex share of the full one) => Settled at each of ANGLES_DEG, or the voltage's in mode "voltage"."""
        commands = self.question.commands(share)
        return [self._settle(lambda n, a=a: self.benches.locked(a, commands, n)) for a in ANGLES_DEG]

    def turning(self, share, speed_rpm):
        """(question, speed) => Settled of a rig that turns at this speed."""
        commands = self.question.commands(share)
        turns = speed_rpm / 60.0 * self.machine.pole_pairs * self.benches.update_s
        updates = self.updates
        if turns:
            updates = max(updates, math.ceil(8.0 / abs(turns)))
        return self._settle(lambda n: self.benches.rig(speed_rpm, commands, n), updates, turns)

    def driving(self, speed_rpm, load_Nm):
        """(speed asked for, load torque) => Settled of a speed controller on a free shaft that starts at standstill."""
        commands = self.question.commands(1j * speed_rpm / self.question.full)
        turns = speed_rpm / 60.0 * self.machine.pole_pairs * self.benches.update_s
        updates = max(12 * self.updates, math.ceil(8.0 / abs(turns)))
        return self._settle(lambda n: self.benches.free(0.0, commands, n, load_Nm), updates, turns)

    def way_to_voltage(self):
        """=> WayToVoltage at the high speed; the middle of a held voltage lies half a period behind its beginning."""
        delay = self.benches.scenario.controller.delay_updates
        return WayToVoltage(6.0 * self.fast_rpm * self.machine.pole_pairs * self.benches.update_s, delay + 0.5)

    def _settle(self, run, updates=None, turns=0.0):
        of, quiet = ("voltage", 1e-3 * self.link_V) if self.mode == "voltage" else ("current", 0.02 * self.size_A)
        return settle(run, updates or self.updates, self.machine.max_current_A, quiet, turns, of)

    def feedback(self):
        """=> voltages that oppose a current of 1 A on d and of 1 A on q, at each of ANGLES_DEG (n,), (n,) [V/A]."""
        size = PROBE_SHARE * self.machine.max_current_A
        nothing = self.question.commands(0.0)
        found = []
        for angle in ANGLES_DEG:
            base = self.benches.locked(angle, nothing, FEW_UPDATES)
            # A map may end at id = 0: the current on d is a negative one.
            found.append([self._first(base, self.benches.locked(angle, nothing, FEW_UPDATES, i)) for i in (-size, 1j * size)])
        to_d, to_q = np.array(found).T / size
        return to_d, -to_q

    def first_at_rest(self, shares):
        """(two questions) => the first voltages they lead to, at each of ANGLES_DEG (n,), (n,) [V]."""
        found = []
        for angle in ANGLES_DEG:
            found.append(self._first_of(lambda c, a=angle: self.benches.locked(a, c, FEW_UPDATES), shares))
        return tuple(np.array(found).T)

    def first_at_speed(self, shares):
        """(two small questions) => the first voltages they lead to at the high speed, out of a run that stands [V].

        Where the loop cannot hold that speed and its voltage is clamped, out of its very first update instead.
        """
        # A speed controller's integral part has to find its place first; both runs stand still without load before the step.
        wait_s, base = (FAST_S, 0.0) if self.mode != "speed" else (20.0 * FAST_S, 2j)
        waited = max(200, round(wait_s / self.benches.update_s))

        def run(commands, updates=waited):
            return self.benches.turning(self.mode, self.fast_rpm, commands, updates + FEW_UPDATES)

        at_s = waited * self.benches.update_s
        before = run(self.question.commands(base, at_s, base))
        if self.mode != "speed" and np.max(np.abs(before.voltage[-4 * FEW_UPDATES :]), initial=0.0) > CLAMPED * self.link_V:
            return self._first_of(lambda commands: run(commands, 0), shares)
        return self._first_of(run, shares, at_s, base, before)

    def beyond_the_limit(self):
        """A run at the machine's greatest speed with the greatest current asked for: more than the link can give."""
        speed, ask = self.machine.max_speed_rpm, 1j / CURRENT_SHARE
        if self.mode == "speed":
            return self.benches.free(0.9 * speed, self.question.commands(1j * speed / self.question.full), self.updates)
        return self.benches.rig(speed, self.question.commands(ask), self.updates)

    def _first_of(self, run, shares, at_s=0.0, base=0.0, reference=None):
        """First voltages of two questions; smaller questions where the voltage would meet its limit."""
        size = PROBE_SHARE / CURRENT_SHARE
        reference = reference or run(self.question.commands(base, at_s, base))
        for _ in range(6):
            commands = [self.question.commands(base + size * share, at_s, base) for share in shares]
            found = [self._first(reference, run(asked)) for asked in commands]
            if max(abs(volts) for volts in found) < 0.1 * self.link_V:
                break
            size *= 0.1
        return [volts / size for volts in found]

    def _first(self, base, other):
        return first_voltage(base, other, self.benches.ticks_per_update, self.link_V)
