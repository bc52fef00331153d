"""A steady window's residual as amplitudes of orders in the rotor frame, forward and backward."""

import numpy as np

_HIGHEST = 13
_FRACTIONS_TO = 4.0


class OrderSpace:
    """Orders -13 ... 13 of the electrical frequency in one window's rows, and low multiples of a sensor's own frequency."""

    def __init__(self, balance):
        angle = balance.middle_rad
        reach = int(np.pi / np.max(np.abs(np.diff(angle))) * 0.9) if len(angle) > 1 else 0
        whole = np.arange(-min(_HIGHEST, reach), min(_HIGHEST, reach) + 1)
        part, limit = sensor_pitch(balance)
        parts = np.arange(-round(limit / part), round(limit / part) + 1) * part if part < 1.0 else whole
        self.orders = np.unique(np.round(np.concatenate((whole, parts)), 9))
        self._between = np.arange(-4, 5) + 0.5 * part
        self._angle = angle
        # Tapered, so that windows need not be whole periods to the row.
        self._weights = np.hanning(len(angle) + 2)[1:-1]
        self._basis = np.exp(1j * np.outer(angle, self.orders))
        weighted = self._basis.conj().T * self._weights
        gram = weighted @ self._basis
        self._solve = np.linalg.solve(gram + 1e-12 * np.trace(gram).real / len(gram) * np.eye(len(gram)), weighted)

    def project(self, residual):
        """(residual (n,)) => complex amplitude of each order."""
        return self._solve @ residual

    def noise(self, residual, amplitudes):
        """=> what the orders do not hold (n,), and the amplitude that noise alone has at an order (rms)."""
        left = residual - self._basis @ amplitudes
        between = np.exp(-1j * np.outer(self._between, self._angle)) @ (self._weights * left) / np.sum(self._weights)
        return left, float(np.sqrt(np.mean(np.abs(between) ** 2)))


def sensor_pitch(balance):
    """=> electrical order of the angle sensor's own turn, and how far its multiples are looked at."""
    turned = abs(balance.angle_rad[-1] - balance.angle_rad[0]) / (2.0 * np.pi * balance.pole_pairs)
    if balance.position.kind == "resolver":
        pitch = balance.position.pole_pairs / balance.pole_pairs
    elif balance.position.kind == "encoder":
        pitch = 1.0 / balance.pole_pairs
    else:
        return 1.0, 0.0
    return (pitch, _FRACTIONS_TO) if turned * pitch * balance.pole_pairs >= 1.0 else (1.0, 0.0)
