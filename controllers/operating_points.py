"""Operating points of a machine as its controller believes it to be: least current, least flux, flux limit.

Torque is searched on one side at a time: side +1 has torque and iq positive, side -1 mirrors both (a measured map is
not symmetric, so both sides are searched). All arrays broadcast; `side` is +1 or -1 for each element.
"""

from dataclasses import dataclass

import numpy as np

from controllers.search import bracketed_root, golden_minimum


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


@dataclass(frozen=True, kw_only=True)
class OperatingPoints:
    """Searches on one machine. flux: anything with `jets`; currents in A peak, torque in Nm."""

    flux: object
    pole_pairs: float
    max_current_A: float

    def torque_and_flux(self, id_A, iq_A):
        """(currents) => torque [Nm], its slope along iq [Nm/A], flux magnitude [Wb]."""
        psi_d, _, l_dq, psi_q, _, l_qq = self.flux.jets(id_A, iq_A)
        factor = 1.5 * self.pole_pairs
        torque = factor * (psi_d * iq_A - psi_q * id_A)
        return torque, factor * (psi_d + l_dq * iq_A - l_qq * id_A), np.hypot(psi_d, psi_q)

    def iq_for_torque(self, id_A, torque_Nm, side, start=None, rounds=25):
        """(id, |torque|, side) => |iq| side of it [A] and flux magnitude; iq is NaN where no current reaches the torque."""
        low = np.full(id_A.shape, -0.5 * self.max_current_A)
        high = np.full(id_A.shape, 1.02 * self.max_current_A)
        below, above = (side * self.torque_and_flux(id_A, side * end)[0] for end in (low, high))
        reachable = (below <= torque_Nm) & (torque_Nm <= above)
        y = np.clip(high * torque_Nm / np.maximum(above, 1e-300) if start is None else start, low, high)
        enough = 1e-13 * np.max(np.abs(above))
        for _ in range(rounds):
            torque, slope, psi = self.torque_and_flux(id_A, side * y)
            error = side * torque - torque_Nm
            if np.all((np.abs(error) <= enough) | ~reachable):
                break
            low, high = np.where(error < 0.0, y, low), np.where(error > 0.0, y, high)
            with np.errstate(all="ignore"):
                newton = y - error / slope
            inside = (newton > low) & (newton < high)
            y = np.where(np.abs(error) <= enough, y, np.where(inside, newton, 0.5 * (low + high)))
        return np.where(reachable, y, np.nan), psi

    def torque_on_circle(self, angle, side, current_A=None):
        """(angle from the d axis, side) => torque on that side [Nm] at current_A (the greatest current by default)."""
        current = self.max_current_A if current_A is None else current_A
        return side * self.torque_and_flux(current * np.cos(angle), side * current * np.sin(angle))[0]

    def greatest_torque(self, side):
        """(side (n,)) => greatest torque magnitude within the current limit (n,) and its current angle (n,) [rad]."""
        angles = np.linspace(0.0, np.pi, 181)[:, None]
        best = angles[np.argmax(self.torque_on_circle(angles, side), axis=0), 0]
        width = np.pi / 180.0
        angle = golden_minimum(lambda a: -self.torque_on_circle(a, side), best - width, best + width)
        return self.torque_on_circle(angle, side), angle

    def least_current(self, torque_Nm, side):
        """(|torque|, side (n,)) => id, iq (n,) of least current: maximum torque per ampere."""
        guess = self._coarse_least_current(torque_Nm, side)
        reach = 0.1 * self.max_current_A

        def current(id_A):
            y = self.iq_for_torque(id_A, torque_Nm, side)[0]
            # Beyond reach: a slope that leads back to the guess.
            penalty = 1e6 * self.max_current_A**2 * (1.0 + np.abs(id_A - guess) / reach)
            return np.where(np.isnan(y), penalty, id_A**2 + np.nan_to_num(y) ** 2)

        id_A = golden_minimum(current, guess - reach, guess + reach)
        return id_A, side * self.iq_for_torque(id_A, torque_Nm, side)[0]

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
        """(|torque|, side (n,)) => id (n,) where the torque is met on the current limit, field weakening side."""
        crossing = np.empty(torque_Nm.shape)
        for one in np.unique(side):
            mine = np.flatnonzero(side == one)
            _, start = self.greatest_torque(np.array([float(one)]))
            angles = np.linspace(start[0], np.pi + 0.3, 400)
            falling = np.minimum.accumulate(self.torque_on_circle(angles, one))
            after = np.clip(np.searchsorted(-falling, -torque_Nm[mine], side="left"), 1, 399)
            angle = bracketed_root(
                lambda a, at=mine, one=one: self.torque_on_circle(a, one) - torque_Nm[at], angles[after - 1], angles[after]
            )
            crossing[mine] = self.max_current_A * np.cos(angle)
        return crossing

    def least_flux(self, torque_Nm, side, id_from, id_to):
        """(|torque|, side, id of the current limit, id of least current (n,)) => id, iq (n,) of least flux between them:
        the current limit, or maximum torque per volt where the torque curve touches a flux circle."""

        def flux(id_A):
            y, psi = self.iq_for_torque(id_A, torque_Nm, side)
            return np.where(np.isnan(y), 1e6 * (1.0 + np.abs(id_A - id_to)), psi)

        id_A = golden_minimum(flux, id_from, id_to)
        id_A = np.where(flux(id_from) <= flux(id_A), id_from, id_A)
        y = self.iq_for_torque(id_A, torque_Nm, side)[0]
        rim = np.sqrt(np.maximum(self.max_current_A**2 - id_A**2, 0.0))
        return id_A, side * np.where(np.isnan(y), rim, y)

    def on_flux_limit(self, torque_Nm, side, psi_Wb, id_from, id_to, iq_from, iq_to):
        """(|torque|, side, flux (n,), ends of the torque curve) => id, iq (n,) where the curve meets that flux."""
        width = np.where(id_to == id_from, 1.0, id_to - id_from)

        def start(id_A):
            return side * (iq_from + (iq_to - iq_from) * (id_A - id_from) / width)

        def excess(id_A):
            return self.iq_for_torque(id_A, torque_Nm, side, start(id_A))[1] - psi_Wb

        id_A = bracketed_root(excess, id_from, id_to, tolerance=1e-9)
        y = self.iq_for_torque(id_A, torque_Nm, side, start(id_A))[0]
        return id_A, side * np.where(np.isnan(y), start(id_A), y)
