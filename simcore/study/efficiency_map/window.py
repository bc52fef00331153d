"""How long a point runs and what is measured of it: whole electrical periods after the drive has settled."""

import math
from typing import NamedTuple

from simcore.study.machine_torque import Machine

LEAST_S, LONGEST_PERIOD_S, STANDSTILL_S = 0.01, 0.5, 0.02
SETTLE_CONSTANTS = 4.0  # time constants of the winding before anything is measured
ROUNDS = 3  # a point that is not steady is run again: three times as long to settle, windows twice as long
_SHORTEST_TAU_S, _LONGEST_TAU_S = 2e-3, 0.1
_LEAST_TICKS = 40


class Window(NamedTuple):
    """slew_s: until the torque asked for is there; settle_s: from then on, before the first window; length_s of each of the two
    windows at the end; periods in one, NaN where the window is fixed, as a period would take too long or the shaft stands;
    tau_s: slowest time constant of the winding."""

    slew_s: float
    settle_s: float
    length_s: float
    periods: float
    tau_s: float

    @property
    def duration_s(self):
        return self.slew_s + self.settle_s + 2.0 * self.length_s


class Windows:
    """(Scenario) => the window of a point by its speed and torque.

    A current loop that cancels the winding's pole forgets a wrong voltage only as fast as the winding itself, with L/R
    (README, built-in controller); that is what a point waits for.
    """

    def __init__(self, scenario):
        self.tau_s = _time_constant_s(scenario)
        self._pole_pairs, self._turn = scenario.machine.pole_pairs, repeating_periods(scenario)
        self._least_s = max(LEAST_S, 0.25 * self.tau_s, _LEAST_TICKS * scenario.tick_s)
        slew = scenario.controller.tuning.get("torque_slew_Nm_per_s", 0.0)
        self._slew = float(slew) if isinstance(slew, (int, float)) and slew > 0.0 else math.inf
        self._greatest_Nm = greatest_torque_Nm(scenario)

    def at(self, speed_rpm, torque_Nm=math.inf, round_=0):
        """(speed, torque, round from 0 on) => Window."""
        slew_s = min(abs(torque_Nm), self._greatest_Nm) / self._slew
        settle_s = 3**round_ * SETTLE_CONSTANTS * self.tau_s
        least_s = 2**round_ * self._least_s
        frequency_Hz = abs(speed_rpm) / 60.0 * self._pole_pairs / self._turn
        if frequency_Hz * LONGEST_PERIOD_S < 1.0:
            length_s = max(STANDSTILL_S, least_s)
            return Window(slew_s, settle_s, length_s, math.nan, self.tau_s)
        turns = math.ceil(least_s * frequency_Hz * (1.0 - 1e-9))
        return Window(slew_s, settle_s, turns / frequency_Hz, float(turns * self._turn), self.tau_s)


def repeating_periods(scenario):
    """(Scenario) => electrical periods after which everything repeats: those of a turn where something counts the turns."""
    machine, position = scenario.machine, scenario.sensors.position
    if any(one.order % machine.pole_pairs for one in machine.cogging) or position.kind == "encoder":
        return machine.pole_pairs
    return machine.pole_pairs // position.pole_pairs if position.kind == "resolver" else 1


def _time_constant_s(scenario):
    """Larger inductance near no current over the resistance [s]."""
    machine = Machine(scenario)
    none = machine.flux(0j)
    step_A = 0.01 * machine.max_current_A
    largest_H = max(abs(machine.flux(-step_A) - none), abs(machine.flux(1j * step_A) - none)) / step_A
    tau_s = largest_H / machine.resistance_ohm if machine.resistance_ohm > 0.0 else _LONGEST_TAU_S
    return min(max(tau_s, _SHORTEST_TAU_S), _LONGEST_TAU_S)


def greatest_torque_Nm(scenario):
    """(Scenario) => greatest torque of the machine at its current limit [Nm]."""
    machine = Machine(scenario)
    return machine.greatest_torque(machine.max_current_A)
