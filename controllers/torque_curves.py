"""Curves of constant torque in the current plane, from least current towards less flux, until a limit ends them."""

import numpy as np

from controllers.search import bracketed_root

_STEPS_PER_LIMIT = 32  # of the tracing, over the length of the current limit
_MOST_STEPS = 160


class TorqueCurves:
    """(OperatingPoints, torque with its sign (n,), (id, iq) of least current (n,)) => n curves, traced and ended.

    A curve ends at the current limit, or where it touches a circle of flux: maximum torque per volt. Tracing follows the
    curve itself, so that it may bend any way. `low` is (id, iq) of the ends (n,).
    """

    def __init__(self, points, torque_Nm, least):
        self.points, self.torque_Nm = points, torque_Nm
        self.every = np.arange(torque_Nm.size)
        self.step_A = points.max_current_A / _STEPS_PER_LIMIT
        start = points.at(*least)
        self.psi_rise_scale = np.maximum(start.psi**2 / points.max_current_A, 1e-300)
        self.direction = np.ones(torque_Nm.shape)
        self.direction[self._flux_rise(self.every, start) > 0.0] = -1.0
        self.knots, self.last = self._trace(*least)
        self.knot_psi = points.at(self.knots[:, 0], self.knots[:, 1]).psi
        self.low = self._end()

    def at_flux(self, curve, psi_Wb):
        """(numbers of curves (m,), flux magnitudes between end and least current (m,)) => id, iq (m,) on them."""
        # Behind its end a curve may rise again: only knots before it count.
        behind = np.arange(len(self.knots))[:, None] >= self.last[curve]
        knot = np.maximum(np.argmax((self.knot_psi[:, curve] <= psi_Wb) | behind, axis=0) - 1, 0)
        id_A, iq_A, good = self._newton(curve, knot, psi_Wb)
        bad = np.flatnonzero(~good)
        if bad.size:
            id_A[bad], iq_A[bad] = self._bracketed(curve[bad], knot[bad], psi_Wb[bad])
        return id_A, iq_A

    def _tangent(self, curve, point):
        turn = self.direction[curve] / np.maximum(np.hypot(point.torque_d, point.torque_q), 1e-300)
        return -turn * point.torque_q, turn * point.torque_d

    def _flux_rise(self, curve, point):
        """Slope of psi^2/2 along the curve, in its direction."""
        along_d, along_q = self._tangent(curve, point)
        return point.psi * (point.psi_d * along_d + point.psi_q * along_q)

    def _beyond(self, curve, id_A, iq_A, point):
        """Negative before the end of the curve, positive behind it."""
        over = (id_A**2 + iq_A**2) / self.points.max_current_A**2 - 1.0
        return np.maximum(over, self._flux_rise(curve, point) / self.psi_rise_scale[curve])

    def _onto(self, curve, id_A, iq_A, rounds):
        """Newton along the gradient of torque => id, iq and Point there."""
        point = self.points.at(id_A, iq_A)
        for _ in range(rounds):
            off = self.torque_Nm[curve] - point.torque
            step = off / np.maximum(point.torque_d**2 + point.torque_q**2, 1e-300)
            id_A, iq_A = id_A + step * point.torque_d, iq_A + step * point.torque_q
            point = self.points.at(id_A, iq_A)
        return id_A, iq_A, point

    def _trace(self, id_A, iq_A):
        """Knots (k, 4, n): id, iq and the tangent there; number (n,) of the first knot behind each curve's end."""
        knots = [np.stack([id_A, iq_A, *self._tangent(self.every, self.points.at(id_A, iq_A))])]
        running = np.ones(self.every.shape, dtype=bool)
        last = np.zeros(self.every.shape, dtype=int)
        for k in range(1, _MOST_STEPS):
            id_A, iq_A, along_d, along_q = knots[-1]
            forward = np.where(running, self.step_A, 0.0)
            id_A, iq_A, point = self._onto(self.every, id_A + forward * along_d, iq_A + forward * along_q, 2)
            knots.append(np.where(running, np.stack([id_A, iq_A, *self._tangent(self.every, point)]), knots[-1]))
            last[running] = k
            running &= self._beyond(self.every, id_A, iq_A, point) < 0.0
            if not running.any():
                break
        return np.array(knots), last

    def _from_knot(self, curve, knot, forward_A):
        """(numbers of curves and of their knots (m,), length beyond them (m,)) => id, iq and Point on the curves."""
        id_A, iq_A, along_d, along_q = self.knots[knot, :, curve].T
        return self._onto(curve, id_A + forward_A * along_d, iq_A + forward_A * along_q, 3)

    def _end(self):
        before = np.maximum(self.last - 1, 0)
        none = np.zeros(before.shape)

        def beyond(forward):
            return self._beyond(self.every, *self._from_knot(self.every, before, forward))

        forward = bracketed_root(beyond, none, none + self.step_A)
        forward = np.where(beyond(none) >= 0.0, 0.0, forward)
        return self._from_knot(self.every, before, forward)[:2]

    def _newton(self, curve, knot, psi_Wb):
        """Torque and flux by Newton from between two knots => id, iq, and whether it converged near there."""
        left, right = self.knots[knot, :2, curve], self.knots[knot + 1, :2, curve]
        psi_left, psi_right = self.knot_psi[knot, curve], self.knot_psi[knot + 1, curve]
        share = np.clip((psi_left - psi_Wb) / np.maximum(psi_left - psi_right, 1e-300), 0.0, 1.0)
        id_A, iq_A = start = (left + share[:, None] * (right - left)).T
        for _ in range(6):
            point = self.points.at(id_A, iq_A)
            off_torque, off_psi = point.torque - self.torque_Nm[curve], point.psi - psi_Wb
            with np.errstate(all="ignore"):
                determinant = point.torque_d * point.psi_q - point.torque_q * point.psi_d
                step_d = np.nan_to_num((off_torque * point.psi_q - off_psi * point.torque_q) / determinant)
                step_q = np.nan_to_num((off_psi * point.torque_d - off_torque * point.psi_d) / determinant)
                size = np.hypot(step_d, step_q)
                shorten = np.minimum(1.0, self.step_A / np.maximum(size, 1e-300))
            id_A, iq_A = id_A - shorten * step_d, iq_A - shorten * step_q
            if np.all(size < 1e-8 * self.step_A):
                break
        astray = np.hypot(id_A - start[0], iq_A - start[1]) > self.step_A
        return id_A, iq_A, (size < 1e-6 * self.step_A) & ~astray

    def _bracketed(self, curve, knot, psi_Wb):
        """The same by a bracketed search along the curve, for places where it touches the flux circle."""
        none = np.zeros(psi_Wb.shape)

        def excess(forward):
            return self._from_knot(curve, knot, forward)[2].psi - psi_Wb

        return self._from_knot(curve, knot, bracketed_root(excess, none, none + self.step_A, tolerance=1e-9))[:2]
