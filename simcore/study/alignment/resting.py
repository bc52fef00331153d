"""Where a rotor may rest beside a current vector: as far as friction, cogging and load hold it.

A vector of length I that stands an angle beta ahead of the d axis turns the rotor with T(beta) = 1.5 p (psi_d iq - psi_q id),
without saliency 1.5 p psi I sin(beta).  The rotor may rest wherever |T| stays below what holds it, so that the largest angle
from the vector is asin(T_hold / (1.5 p psi I)); with Lq > Ld a longer vector holds better up to I = psi / (2 (Lq - Ld)) only,
and from psi / (Lq - Ld) on the rotor leaves it.  Derived here.  Checked: tests/study/test_alignment.py.
"""

import cmath
import math

import numpy as np

from simcore.loop.records import MAP_SLACK
from simcore.study.machine_torque import Machine

STEP_DEG = 0.25
SHARES = np.linspace(0.02, 1.0, 50)  # of the longest vector, at which a needed one is looked for


def longest_A(machine):
    """(machine model) => the longest vector [A] that stays inside max_current_A and, wherever the rotor stands, in its map.

    Many maps end at id = 0 or little beyond: half of what the loop lets pass outside is used.
    """
    if machine.kind != "flux_map":
        return machine.max_current_A
    sides = []
    for axis in (machine.map_data.id_A, machine.map_data.iq_A):
        beyond = 0.5 * MAP_SLACK * float(axis[-1] - axis[0])
        sides += [float(axis[-1]) + beyond, beyond - float(axis[0])]
    return min(machine.max_current_A, *sides)


class Resting:
    """(scenario) => what holds the shaft, and the angles and currents that follow from it."""

    def __init__(self, scenario):
        self.machine = Machine(scenario)
        self.longest_A = longest_A(scenario.machine)
        shaft = self.machine.shaft
        self.inertia_kg_m2 = float(shaft["inertia_kg_m2"] + shaft["load_inertia_kg_m2"])
        self.coulomb_Nm, self.stiction_Nm = float(shaft["coulomb_Nm"]), float(shaft["stiction_Nm"])
        self.viscous_Nm_s = float(shaft["viscous_Nm_s"])
        self.cogging_Nm = float(sum(harmonic.torque_Nm for harmonic in scenario.machine.cogging))
        self.load_Nm = self.machine.load_torque_Nm

    @property
    def holding_Nm(self):
        """The most torque that may hold the rotor away from the vector [Nm]: break-away torque, cogging and load together."""
        return self.stiction_Nm + self.cogging_Nm + abs(self.load_Nm)

    def turning_Nm(self, angle_deg, current_A):
        """(vector's angle ahead of the d axis [deg], its length [A]) => torque that turns the rotor to it [Nm]."""
        return self.machine.torque(cmath.rect(current_A, math.radians(angle_deg)))

    def edge_deg(self, current_A):
        """(length of the vector [A]) => the farthest from it that the rotor may rest on this side of 90 deg [deg]."""
        low, high = 90.0, 90.0
        while low > 0.0 and self.turning_Nm(low, current_A) > self.holding_Nm:
            high, low = low, low - STEP_DEG
        if low == high:
            return 90.0
        for _ in range(40):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if self.turning_Nm(middle, current_A) > self.holding_Nm else (middle, high)
        return max(high, 0.0)

    def needed_A(self, error_deg):
        """(error that is allowed [deg]) => least current that keeps it, or None where none up to longest_A does."""
        length = self.longest_A
        found = [float(share) * length for share in SHARES if self.edge_deg(float(share) * length) <= error_deg]
        if not found:
            return None
        high = found[0]
        low = max(high - float(SHARES[1] - SHARES[0]) * length, 0.0)
        for _ in range(30):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if middle > 0.0 and self.edge_deg(middle) <= error_deg else (middle, high)
        return high

    def swing_Hz(self, current_A):
        """(length of the vector [A]) => frequency of a small swing about it, or about where the rotor rests beside it [Hz]."""
        stiffest = max(
            self.turning_Nm(angle + 1.0, current_A) - self.turning_Nm(angle - 1.0, current_A) for angle in range(0, 90, 5)
        )
        slope = max(stiffest, 1e-12) / math.radians(2.0) * self.machine.pole_pairs
        return math.sqrt(slope / self.inertia_kg_m2) / (2.0 * math.pi)
