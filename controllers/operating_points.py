"""Operating points of a machine as its controller believes it to be: least current, least flux, flux limit.

Torque is searched on one side at a time: side +1 has torque and iq positive, side -1 mirrors both (a measured map is
not symmetric, so both sides are searched). All arrays broadcast; `side` is +1 or -1 for each element.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from controllers.search import bracketed_root


@dataclass(frozen=True, kw_only=True)
class ConstantMachine:
    """Flux linkages from constants; `jets` as simcore.plant.fluxmap_build.MapTables has it."""

    inductance_d_H: float
    inductance_q_H: float
    magnet_flux_Wb: float
    greatest_id_A = np.inf

    def jets(self, id_A, iq_A):
        """(currents (...)) => psi_d, l_dd, l_dq, psi_q, l_qd, l_qq (...) [Wb, H]."""
        id_A, iq_A = np.broadcast_arrays(np.asarray(id_A, dtype=float), np.asarray(iq_A, dtype=float))
        zero = np.zeros(id_A.shape)
        return (
            self.magnet_flux_Wb + self.inductance_d_H * id_A,
            zero + self.inductance_d_H,
            zero,
            self.inductance_q_H * iq_A,
            zero,
            zero + self.inductance_q_H,
        )


class Point(NamedTuple):
    """Torque [Nm] and flux magnitude [Wb] at some currents, with their slopes along id and iq."""

    torque: np.ndarray
    torque_d: np.ndarray
    torque_q: np.ndarray
    psi: np.ndarray
    psi_d: np.ndarray
    psi_q: np.ndarray


@dataclass(frozen=True, kw_only=True)
class OperatingPoints:
    """Torque, flux and their extremes on one machine. flux: anything with `jets` and `greatest_id_A`; A peak, Nm."""

    flux: object
    pole_pairs: float
    max_current_A: float

    def at(self, id_A, iq_A):
        """(currents) => Point: torque, flux magnitude and their slopes along id and iq."""
        psi_d, l_dd, l_dq, psi_q, l_qd, l_qq = self.flux.jets(id_A, iq_A)
        factor = 1.5 * self.pole_pairs
        psi = np.hypot(psi_d, psi_q)
        per_psi = 1.0 / np.maximum(psi, 1e-300)
        return Point(
            torque=factor * (psi_d * iq_A - psi_q * id_A),
            torque_d=factor * (l_dd * iq_A - psi_q - l_qd * id_A),
            torque_q=factor * (psi_d + l_dq * iq_A - l_qq * id_A),
            psi=psi,
            psi_d=(psi_d * l_dd + psi_q * l_qd) * per_psi,
            psi_q=(psi_d * l_dq + psi_q * l_qq) * per_psi,
        )

    def best_angle(self, current_A, side, guess, width):
        """(current, side (n,), angle near the best one [rad]) => angle of most torque at that current (n,).

        Never where id exceeds the flux table: what continues there is no ground to stand on.
        """
        least = self._least_angle(current_A)

        def slope(angle):
            id_A, iq_A = current_A * np.cos(angle), side * current_A * np.sin(angle)
            point = self.at(id_A, iq_A)
            return point.torque_d * iq_A - point.torque_q * id_A

        return bracketed_root(slope, np.maximum(guess - width, least), np.maximum(guess + width, least), tolerance=1e-9)

    def _least_angle(self, current_A):
        share = self.flux.greatest_id_A / np.maximum(current_A, 1e-9 * self.max_current_A)
        return np.arccos(np.clip(share, -1.0, 1.0))

    def sampled_best(self, current_A, side):
        """(currents (k,), one side) => most torque on that side (k,) and its angle (k,) [rad], from samples on circles."""
        angles = np.linspace(0.0, np.pi, 181)
        torque = side * self.at(np.outer(current_A, np.cos(angles)), side * np.outer(current_A, np.sin(angles))).torque
        torque = np.where(angles < self._least_angle(current_A)[:, None] - 1e-9, -np.inf, torque)
        best = np.argmax(torque, axis=1)
        return torque[np.arange(best.size), best], angles[best]

    def greatest_torque(self, side):
        """(side (n,)) => greatest torque magnitude within the current limit (n,), id and iq there (n,)."""
        most = np.array([self.max_current_A])
        guess = np.array([self.sampled_best(most, one)[1][0] for one in side])
        angle = self.best_angle(self.max_current_A, side, guess, 2.0 * _DEGREE)
        id_A, iq_A = self.max_current_A * np.cos(angle), side * self.max_current_A * np.sin(angle)
        return side * self.at(id_A, iq_A).torque, id_A, iq_A

    def least_current(self, torque_Nm, side):
        """(|torque|, side (n,)) => id, iq (n,) of least current: maximum torque per ampere."""
        currents = self.max_current_A * np.linspace(0.0, 1.0, 41)
        low, high, near = np.empty((3,) + torque_Nm.shape)
        angles = {}
        for one in np.unique(side):
            torque, angles[one] = self.sampled_best(currents, one)
            mine = side == one
            after = np.searchsorted(np.maximum.accumulate(torque), torque_Nm[mine])
            low[mine], high[mine] = currents[np.clip(after - 2, 0, 40)], currents[np.clip(after + 1, 1, 40)]

        def angle_at(current):
            for one, angle in angles.items():
                near[side == one] = np.interp(current[side == one], currents[1:], angle[1:])
            return self.best_angle(current, side, near, 2.0 * _DEGREE)

        def excess(current):
            angle = angle_at(current)
            return side * self.at(current * np.cos(angle), side * current * np.sin(angle)).torque - torque_Nm

        current = bracketed_root(excess, low, high)
        angle = angle_at(current)
        return current * np.cos(angle), side * current * np.sin(angle)


_DEGREE = np.pi / 180.0
