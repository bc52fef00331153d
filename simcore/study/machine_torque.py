"""A scenario's machine and shaft outside the loop: torque of a current, by the loop's own flux law; friction and inertia."""

import cmath
import math

from simcore.loop.records import LOAD
from simcore.loop.setup import build_parameters, fluxes_of


def greatest_torque(scenario):
    """Scenario => greatest torque that its machine gives at its current limit, id <= 0 [Nm]."""
    machine = Machine(scenario)
    return machine.greatest_torque(machine.max_current_A)


class Machine:
    """(scenario) => torque, flux and constants of its true machine, at its temperatures.

    shaft is the loop's record of the shaft (plant/records.py SHAFT), load_torque_Nm what opposes positive rotation at time 0.
    """

    def __init__(self, scenario):
        self._params, self._table, points = build_parameters(scenario)[:3]
        record = self._params[0]["machine"]
        self.pole_pairs = int(record["pole_pairs"])
        self.resistance_ohm = float(record["resistance_ohm"])
        self.max_current_A = float(scenario.machine.max_current_A)
        self.max_speed_rpm = float(scenario.machine.max_speed_rpm)
        self.shaft = self._params[0]["shaft"]
        self.load_torque_Nm = float(points[self._params[0]["profiles"][LOAD]["start"] + 1])

    def flux(self, current):
        """(current d + jq [A]) => flux linkage d + jq [Wb]."""
        return complex(*fluxes_of(self._params, self._table, current.real, current.imag))

    def torque(self, current):
        """(current d + jq [A]) => air-gap torque [Nm], 1.5 p (psi_d iq - psi_q id)."""
        return 1.5 * self.pole_pairs * (self.flux(current).conjugate() * current).imag

    def greatest_torque(self, length_A):
        """(length of the current vector [A]) => greatest torque it can give with id <= 0 [Nm]."""
        return max(self.torque(cmath.rect(length_A, math.radians(angle))) for angle in range(90, 180, 2))

    def least_inductance_H(self, step_A=1.0):
        """The smaller of both inductances near no current [H]."""
        return min(self._inductances_H(step_A))

    def greatest_inductance_H(self, step_A=1.0):
        """The larger of both inductances near no current [H]."""
        return max(self._inductances_H(step_A))

    def _inductances_H(self, step_A):
        none = self.flux(0j)
        return abs(self.flux(-step_A) - none) / step_A, abs(self.flux(1j * step_A) - none) / step_A
