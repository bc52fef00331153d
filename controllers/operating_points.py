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
    """Searches on one machine. flux: anything with `jets`; currents in A peak, torque in Nm."""

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

    def on_torque_curve(self, id_A, torque_Nm, side, start=None, rounds=40):
        """(id, |torque|, side) => iq [A], NaN where the curve of that torque has no point, and Point there."""
        ends = np.array([-0.5, 1.02])[:, None] * self.max_current_A
        low, high = np.broadcast_to(ends[0], id_A.shape), np.broadcast_to(ends[1], id_A.shape)
        below, above = side * self.at(id_A, side * ends).torque
        reachable = (below <= torque_Nm) & (torque_Nm <= above)
        enough = 1e-13 * np.max(np.abs(above))
        y = side * start if start is not None else high * torque_Nm / np.where(reachable, above + 1e-300, np.inf)
        for _ in range(rounds):
            point = self.at(id_A, side * y)
            error = side * point.torque - torque_Nm
            if np.all((np.abs(error) <= enough) | ~reachable):
                break
            low, high = np.where(error < 0.0, y, low), np.where(error > 0.0, y, high)
            with np.errstate(all="ignore"):
                newton = y - error / point.torque_q
            inside = (newton > low) & (newton < high)
            y = np.where(np.abs(error) <= enough, y, np.where(inside, newton, 0.5 * (low + high)))
        return np.where(reachable, side * y, np.nan), point

    def torque_on_circle(self, angle, side, current_A=None):
        """(angle from the d axis, side) => torque on that side [Nm] at current_A (the greatest current by default)."""
        current = self.max_current_A if current_A is None else current_A
        return side * self.at(current * np.cos(angle), side * current * np.sin(angle)).torque

    def greatest_torque(self, side):
        """(side (n,)) => greatest torque magnitude within the current limit (n,), id and iq there (n,)."""
        angles = np.linspace(0.0, np.pi, 181)[:, None]
        best = angles[np.argmax(self.torque_on_circle(angles, side), axis=0), 0]

        def slope(angle):
            id_A, y = self.max_current_A * np.cos(angle), self.max_current_A * np.sin(angle)
            point = self.at(id_A, side * y)
            return side * point.torque_d * y - point.torque_q * id_A

        angle = bracketed_root(slope, best - np.pi / 180.0, best + np.pi / 180.0)
        return (
            self.torque_on_circle(angle, side),
            self.max_current_A * np.cos(angle),
            side * self.max_current_A * np.sin(angle),
        )

    def least_current(self, torque_Nm, side):
        """(|torque|, side (n,)) => id, iq (n,) of least current: maximum torque per ampere."""
        guess = self._coarse_least_current(torque_Nm, side)
        reach = 0.1 * self.max_current_A

        def slope(id_A):
            iq_A, point = self.on_torque_curve(id_A, torque_Nm, side)
            with np.errstate(all="ignore"):
                rise = id_A - iq_A * point.torque_d / point.torque_q
            return np.where(np.isfinite(rise), rise, np.sign(id_A - guess) * self.max_current_A)

        id_A = bracketed_root(slope, guess - reach, guess + reach)
        return id_A, self.on_torque_curve(id_A, torque_Nm, side)[0]

    def _coarse_least_current(self, torque_Nm, side):
        """id within some degrees of the least current, from samples on circles."""
        angles = np.linspace(0.0, np.pi, 91)[None, :]
        currents = self.max_current_A * np.linspace(0.02, 1.0, 40)[:, None]
        guess = np.zeros(torque_Nm.shape)
        for one in np.unique(side):
            torque = self.torque_on_circle(angles, one, currents)
            best = np.argmax(torque, axis=1)
            reached = np.maximum.accumulate(torque[np.arange(40), best])
            id_A = currents[:, 0] * np.cos(angles[0, best])
            mine = side == one
            guess[mine] = np.interp(torque_Nm[mine], np.append(0.0, reached), np.append(0.0, id_A))
        return guess

    def circle_crossing(self, torque_Nm, side):
        """(|torque|, side (n,)) => id, iq (n,) where the torque is met on the current limit, field weakening side."""
        angle = np.empty(torque_Nm.shape)
        for one in np.unique(side):
            mine = np.flatnonzero(side == one)
            _, id_A, iq_A = self.greatest_torque(np.array([float(one)]))
            angles = np.linspace(np.arctan2(one * iq_A[0], id_A[0]), np.pi + 0.3, 400)
            falling = np.minimum.accumulate(self.torque_on_circle(angles, one))
            after = np.clip(np.searchsorted(-falling, -torque_Nm[mine], side="left"), 1, 399)

            def excess(a, mine=mine, one=one):
                return self.torque_on_circle(a, one) - torque_Nm[mine]

            angle[mine] = bracketed_root(excess, angles[after - 1], angles[after])
        return self.max_current_A * np.cos(angle), side * self.max_current_A * np.sin(angle)

    def least_flux(self, torque_Nm, side, rim, least):
        """(|torque|, side (n,), (id, iq) on the current limit, (id, iq) of least current) => id, iq (n,) of least flux.

        Either the current limit, or maximum torque per volt, where the torque curve touches a circle of flux.
        """
        id_rim, iq_rim = rim

        def slope(id_A):
            iq_A, point = self.on_torque_curve(id_A, torque_Nm, side)
            with np.errstate(all="ignore"):
                rise = point.psi_d - point.psi_q * point.torque_d / point.torque_q
            return np.where(np.isfinite(rise), rise, -1.0)

        start = id_rim + 1e-9 * self.max_current_A
        touching = slope(start) < 0.0
        id_A = bracketed_root(slope, start, np.where(touching, np.maximum(least[0], start), start))
        iq_A = self.on_torque_curve(id_A, torque_Nm, side)[0]
        touching &= np.isfinite(iq_A)
        return np.where(touching, id_A, id_rim), np.where(touching, iq_A, iq_rim)

    def on_flux_limit(self, torque_Nm, side, psi_Wb, low, least):
        """(|torque|, side, flux (n,), (id, iq) of least flux, of least current) => id, iq (n,) at torque and flux."""
        (id_low, iq_low), (id_least, iq_least) = low, least
        width = np.where(id_least == id_low, 1.0, id_least - id_low)

        def start(id_A):
            return iq_low + (iq_least - iq_low) * (id_A - id_low) / width

        def excess(id_A):
            return self.on_torque_curve(id_A, torque_Nm, side, start(id_A))[1].psi - psi_Wb

        id_A = bracketed_root(excess, id_low, id_least, tolerance=1e-9)
        iq_A = self.on_torque_curve(id_A, torque_Nm, side, start(id_A))[0]
        return id_A, np.where(np.isnan(iq_A), start(id_A), iq_A)

    def refine(self, torque_Nm, side, psi_Wb, id_A, iq_A, rounds=6):
        """(|torque|, side, flux, currents near them (n,)) => id, iq of torque and flux by Newton, whether converged."""
        for _ in range(rounds):
            point = self.at(id_A, iq_A)
            error_torque, error_psi = point.torque - side * torque_Nm, point.psi - psi_Wb
            with np.errstate(all="ignore"):
                determinant = point.torque_d * point.psi_q - point.torque_q * point.psi_d
                step_d = (error_torque * point.psi_q - error_psi * point.torque_q) / determinant
                step_q = (error_psi * point.torque_d - error_torque * point.psi_d) / determinant
            size = np.hypot(step_d, step_q)
            good = np.isfinite(size) & (size < 0.2 * self.max_current_A)
            id_A, iq_A = np.where(good, id_A - step_d, id_A), np.where(good, iq_A - step_q, iq_A)
            if np.all(size < 1e-9 * self.max_current_A):
                break
        return id_A, iq_A, good & (size < 1e-6 * self.max_current_A)
