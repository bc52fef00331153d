"""Curves of constant torque in the current plane, from least current towards less flux, until a limit ends them."""

import numpy as np

from controllers.search import bracketed_root

_STEPS_PER_LIMIT = 32  # of the tracing, over the length of the current limit
_MOST_STEPS = 160


class TorqueCurves:
    """(OperatingPoints, torque with its sign (n,), (id, iq) of least current (n,)) => the curves, traced and ended.

    A curve ends at the current limit, or where it touches a circle of flux: maximum torque per volt. Tracing follows the
    curve itself, so that it may bend any way. `low` is (id, iq) of the ends (n,).
    """

    def __init__(self, points, torque_Nm, least):
        self.points, self.torque_Nm = points, torque_Nm
        self.step_A = points.max_current_A / _STEPS_PER_LIMIT
        id_A, iq_A = (np.array(current, dtype=float) for current in least)
        self.direction = np.ones(id_A.shape)
        self.direction = -np.where(self._flux_rise(points.at(id_A, iq_A)) > 0.0, 1.0, -1.0)
        self.knots = self._trace(id_A, iq_A)
        self.low = self._end()

    def _flux_rise(self, point):
        """Slope of psi^2/2 along the curve in its direction."""
        along_d, along_q = self._tangent(point)
        return point.psi * (point.psi_d * along_d + point.psi_q * along_q)

    def _tangent(self, point):
        size = np.maximum(np.hypot(point.torque_d, point.torque_q), 1e-300)
        return -self.direction * point.torque_q / size, self.direction * point.torque_d / size

    def _ended(self, id_A, iq_A, point):
        """Negative before the end of the curve, positive behind it."""
        over = (id_A**2 + iq_A**2) / self.points.max_current_A**2 - 1.0
        return np.maximum(over, self._flux_rise(point) / np.maximum(self.psi_rise_scale, 1e-300))

    def _onto_curve(self, id_A, iq_A, rounds):
        """Newton along the gradient of torque => id, iq and Point there."""
        point = self.points.at(id_A, iq_A)
        for _ in range(rounds):
            step = (self.torque_Nm - point.torque) / np.maximum(point.torque_d**2 + point.torque_q**2, 1e-300)
            id_A, iq_A = id_A + step * point.torque_d, iq_A + step * point.torque_q
            point = self.points.at(id_A, iq_A)
        return id_A, iq_A, point

    def _trace(self, id_A, iq_A):
        """Knots (k, 4, n): id, iq and the tangent there; the last of each curve is the first one behind its end."""
        point = self.points.at(id_A, iq_A)
        self.psi_rise_scale = point.psi**2 / self.points.max_current_A
        knots = [np.stack([id_A, iq_A, *self._tangent(point)])]
        running = np.ones(id_A.shape, dtype=bool)
        self.last = np.zeros(id_A.shape, dtype=int)
        for k in range(1, _MOST_STEPS):
            id_A, iq_A, along_d, along_q = knots[-1]
            forward = np.where(running, self.step_A, 0.0)
            id_A, iq_A, point = self._onto_curve(id_A + forward * along_d, iq_A + forward * along_q, 2)
            knots.append(np.where(running, np.stack([id_A, iq_A, *self._tangent(point)]), knots[-1]))
            self.last[running] = k
            running &= self._ended(id_A, iq_A, point) < 0.0
            if not running.any():
                break
        return np.array(knots)

    def _from_knot(self, knot, forward_A):
        """(number of a knot (n,), length beyond it (n,)) => id, iq and Point on the curve."""
        id_A, iq_A, along_d, along_q = self.knots[knot, :, np.arange(knot.size)].T
        return self._onto_curve(id_A + forward_A * along_d, iq_A + forward_A * along_q, 3)

    def _end(self):
        before = np.maximum(self.last - 1, 0)
        none = np.zeros(before.shape)

        def ended(forward):
            return self._ended(*self._from_knot(before, forward))

        forward = bracketed_root(ended, none, none + self.step_A)
        forward = np.where(ended(none) >= 0.0, 0.0, forward)
        id_A, iq_A, _ = self._from_knot(before, forward)
        return id_A, iq_A

    def rows(self, rows):
        """The same curves with rows (m,) picked, repeated or left out."""
        other = object.__new__(TorqueCurves)
        other.points, other.step_A = self.points, self.step_A
        other.knots = self.knots[:, :, rows]
        for name in ("torque_Nm", "direction", "psi_rise_scale", "last"):
            setattr(other, name, getattr(self, name)[rows])
        other.low = [current[rows] for current in self.low]
        return other

    def at_flux(self, psi_Wb):
        """(flux magnitude between the end and least current (n,)) => id, iq (n,) on the curves."""
        psi = self.points.at(self.knots[:, 0], self.knots[:, 1]).psi
        # Behind its end a curve may rise again: only knots before it count.
        below = (psi <= psi_Wb) | (np.arange(len(psi))[:, None] >= self.last)
        before = np.maximum(np.argmax(below, axis=0) - 1, 0)
        id_A, iq_A, good = self._newton(before, psi_Wb, psi)
        bad = np.flatnonzero(~good)
        if bad.size:
            id_A[bad], iq_A[bad] = self.rows(bad)._bracketed(before[bad], psi_Wb[bad])
        return id_A, iq_A

    def _newton(self, before, psi_Wb, psi_knots):
        """Torque and flux by Newton from between the two knots => id, iq, and whether it converged near there."""
        one = np.arange(before.size)
        left, right = self.knots[before, :2, one], self.knots[before + 1, :2, one]
        psi_left, psi_right = psi_knots[before, one], psi_knots[before + 1, one]
        share = np.clip((psi_left - psi_Wb) / np.maximum(psi_left - psi_right, 1e-300), 0.0, 1.0)
        id_A, iq_A = start = (left + share[:, None] * (right - left)).T
        for _ in range(6):
            point = self.points.at(id_A, iq_A)
            off_torque, off_psi = point.torque - self.torque_Nm, point.psi - psi_Wb
            with np.errstate(all="ignore"):
                determinant = point.torque_d * point.psi_q - point.torque_q * point.psi_d
                step_d = np.nan_to_num((off_torque * point.psi_q - off_psi * point.torque_q) / determinant)
                step_q = np.nan_to_num((off_psi * point.torque_d - off_torque * point.psi_d) / determinant)
            shorten = np.minimum(1.0, self.step_A / np.maximum(np.hypot(step_d, step_q), 1e-300))
            id_A, iq_A = id_A - shorten * step_d, iq_A - shorten * step_q
            size = np.hypot(step_d, step_q)
            if np.all(size < 1e-8 * self.step_A):
                break
        astray = np.hypot(id_A - start[0], iq_A - start[1]) > self.step_A
        return id_A, iq_A, (size < 1e-6 * self.step_A) & ~astray

    def _bracketed(self, before, psi_Wb):
        none = np.zeros(psi_Wb.shape)
        forward = bracketed_root(
            lambda length: self._from_knot(before, length)[2].psi - psi_Wb, none, none + self.step_A, tolerance=1e-9
        )
        id_A, iq_A, _ = self._from_knot(before, forward)
        return id_A, iq_A
