"""What a machine can do on its current limit and at a voltage: torque, base speed, ceilings, maximum torque per volt.

All currents and voltages are phase peak. Speeds are mechanical. Works on constants and on flux maps alike, through
controllers.operating_points. Source: Morimoto, Takeda, Hirasa, Taniguchi, IEEE Trans. Ind. Appl. 26(5), 1990 (from memory).
Checked: tests/library/test_part_numbers.py.
"""

import math
from dataclasses import dataclass

import numpy as np

from controllers.operating_points import ConstantMachine, OperatingPoints
from controllers.search import bracketed_root
from simcore.plant.temperature import magnet_flux_Wb, resistance_ohm

RPM_PER_RAD_S = 30.0 / math.pi
# Greatest fundamental of the phase over the link voltage; the same as simcore.inverter.modulation.voltage_ceiling.
CEILINGS = {"sine": 0.5, "third_harmonic": 1.0 / math.sqrt(3.0), "svpwm": 1.0 / math.sqrt(3.0), "six_step": 2.0 / math.pi}


def flux_of(machine):
    """(checked [machine]) => its fluxes as controllers.operating_points wants them, at the magnets' temperature."""
    if machine.kind == "flux_map":
        from simcore.plant.bicubic import spline_cells
        from simcore.plant.fluxmap_build import MapTables

        data = machine.map_data
        cells = spline_cells(data.id_A, data.iq_A, data.psi_d_Wb, data.psi_q_Wb)
        # Fluxes from currents need no inverse, which would take most of the time.
        none = {"table": np.zeros(0), "inverse_cells": (0, 0), "inverse_error_relative": math.nan}
        return MapTables(id_A=data.id_A, iq_A=data.iq_A, cells=cells, **none)
    return ConstantMachine(
        inductance_d_H=machine.inductance_d_H, inductance_q_H=machine.inductance_q_H, magnet_flux_Wb=magnet_flux_Wb(machine)
    )


@dataclass(frozen=True)
class Limits:
    """A machine within its current limit. flux: from flux_of; resistance_ohm at the winding's temperature."""

    flux: object
    pole_pairs: int
    resistance_ohm: float
    max_current_A: float

    @classmethod
    def of(cls, machine):
        """(checked [machine]) => Limits."""
        return cls(flux_of(machine), machine.pole_pairs, resistance_ohm(machine), machine.max_current_A)

    @property
    def points(self):
        """Torque and flux over the currents."""
        return OperatingPoints(flux=self.flux, pole_pairs=self.pole_pairs, max_current_A=self.max_current_A)

    def fluxes(self, id_A, iq_A):
        """(currents) => psi_d, psi_q [Wb]."""
        jets = self.flux.jets(np.array(float(id_A)), np.array(float(iq_A)))
        return float(jets[0]), float(jets[3])

    def most_torque(self):
        """=> torque [Nm], id, iq [A] of most torque within the current limit."""
        torque, id_A, iq_A = self.points.greatest_torque(np.array([1.0]))
        return float(torque[0]), float(id_A[0]), float(iq_A[0])

    def base_speed_rpm(self, phase_V, resistance_ohm):
        """(greatest phase voltage, resistance) => highest speed with the most torque; nan where the resistance eats it all.

        |v|^2 = R^2 i^2 + 2 R omega (psi_d iq - psi_q id) + omega^2 psi^2 along the current of most torque.
        """
        _, id_A, iq_A = self.most_torque()
        psi_d, psi_q = self.fluxes(id_A, iq_A)
        power = resistance_ohm * (psi_d * iq_A - psi_q * id_A)
        left = phase_V**2 - (resistance_ohm * math.hypot(id_A, iq_A)) ** 2
        square = psi_d**2 + psi_q**2
        if left <= 0.0:
            return math.nan
        # The positive root, without a difference of nearly equal numbers.
        return self._rpm(left / (power + math.sqrt(power**2 + square * left)))

    def emf_ceiling_rpm(self, phase_V):
        """=> speed at which the EMF at zero current is the voltage; infinite without a magnet."""
        return self.speed_at_flux_rpm(phase_V, math.hypot(*self.fluxes(0.0, 0.0)))

    def circle_ceiling_rpm(self, phase_V):
        """=> speed at which torque ends with all current against the magnet, without resistance; infinite where it does not.

        Finite where the characteristic current is beyond the current limit: V/(psi - Ld Imax) with constants.
        """
        psi_d, psi_q = self.fluxes(-self.max_current_A, 0.0)
        return self.speed_at_flux_rpm(phase_V, math.hypot(psi_d, psi_q)) if psi_d > 0.0 else math.inf

    def characteristic_current_A(self):
        """=> current against the magnet that leaves no flux: of shorted terminals at high speed; nan beyond a map's range."""
        if isinstance(self.flux, ConstantMachine):
            return self.flux.magnet_flux_Wb / self.flux.inductance_d_H
        ends = np.array([float(self.flux.id_A[0])]), np.array([0.0])
        if self.fluxes(ends[0][0], 0.0)[0] > 0.0 or self.fluxes(0.0, 0.0)[0] < 0.0:
            return math.nan
        return -float(bracketed_root(lambda id_A: self.flux.jets(id_A, 0.0 * id_A)[0], *ends)[0])

    def volt_limited(self):
        """=> torque [Nm], flux [Wb], id, iq [A] where maximum torque per volt begins on the current limit, or None.

        There the circle of flux touches the curve of torque: both gradients are parallel.
        """
        _, id_A, iq_A = self.most_torque()
        angles = np.linspace(math.atan2(iq_A, id_A), math.pi, 721)

        def turn(angle):
            point = self.points.at(*self._on_limit(angle))
            return point.torque_d * point.psi_q - point.torque_q * point.psi_d

        signs = np.sign(turn(angles))
        after = np.flatnonzero(signs[1:] * signs[:-1] < 0.0)
        if not after.size:
            return None
        angle = bracketed_root(turn, angles[after[:1]], angles[after[:1] + 1])
        id_A, iq_A = self._on_limit(angle)
        point = self.points.at(id_A, iq_A)
        return float(point.torque[0]), float(point.psi[0]), float(id_A[0]), float(iq_A[0])

    def _on_limit(self, angle):
        return self.max_current_A * np.cos(angle), self.max_current_A * np.sin(angle)

    def speed_at_flux_rpm(self, phase_V, psi_Wb):
        """(phase voltage, flux linkage) => speed at which that flux needs the voltage, without resistance."""
        return self._rpm(phase_V / psi_Wb) if psi_Wb > 0.0 else math.inf

    def _rpm(self, electrical_rad_s):
        return electrical_rad_s / self.pole_pairs * RPM_PER_RAD_S
