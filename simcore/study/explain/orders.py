"""Orders in a steady window: amplitudes at multiples of the mechanical and the electrical frequency, by least squares."""

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

SIGNALS = ("id_A", "iq_A", "torque_Nm", "speed_rpm", "angle_error_deg")
HIGHEST_ORDER = 24
_MOST_COLUMNS = 200
_ABOVE_NOISE, _NOISE_BINS = 4.0, 12
# What counts as seen: of the current's length, of the torque's and speed's size, and of a degree.
_SEEN = {"id_A": 2e-4, "iq_A": 2e-4, "torque_Nm": 2e-4, "speed_rpm": 2e-6, "angle_error_deg": 2e-3}


@dataclass(frozen=True)
class OrderContent:
    """Electrical orders (Fractions), each signal's amplitudes (peak) and floors there; `seen` are those above the floor."""

    orders: tuple
    amplitudes: dict
    floors: dict
    seen: tuple

    def row(self, order):
        """order => {signal: amplitude}, only what stands above its noise."""
        k = self.orders.index(order)
        return {name: values[k] for name, values in self.amplitudes.items() if values[k] > self.floors[name][k]}

    def strength(self, order):
        """order => its largest amplitude over the floor."""
        k = self.orders.index(order)
        return max(float(self.amplitudes[name][k] / self.floors[name][k]) for name in self.amplitudes)


def order_content(recording, window, signals=SIGNALS):
    """(recording, SteadyWindow) => OrderContent of the signals that were recorded."""
    stride = -(-(window.stop - window.first) // 12_000)
    rows = slice(window.first, window.stop, stride)
    angle = window.angle_rad[::stride]
    orders = candidate_orders(window, recording.scenario.machine.pole_pairs, angle)
    values = {name: np.asarray(recording[name][rows], dtype=np.float64) for name in signals if name in recording.signals}
    values = {name: column for name, column in values.items() if np.isfinite(column).all()}
    amplitudes, noise = _fit(angle, np.column_stack(list(values.values())), orders)
    amplitudes = dict(zip(values, amplitudes.T, strict=True))
    scales = _scales(recording, rows)
    floors = {
        name: np.maximum(_ABOVE_NOISE * level, _SEEN.get(name, 2e-4) * scales.get(name, 1.0))
        for name, level in zip(values, noise.T, strict=True)
    }
    share = np.max([amplitudes[name] / floors[name] for name in values], axis=0)
    seen = tuple(order for order, high in zip(orders, share, strict=True) if high > 1.0)
    return OrderContent(orders, amplitudes, floors, seen)


def candidate_orders(window, pole_pairs, angle):
    """=> electrical orders that the rows can tell apart: multiples of a turn where the window holds whole turns."""
    reach = np.pi / np.max(np.abs(np.diff(angle))) * 0.9
    highest = int(min(HIGHEST_ORDER, reach))
    if window.turns and highest * pole_pairs <= _MOST_COLUMNS:
        return tuple(Fraction(k, pole_pairs) for k in range(1, highest * pole_pairs + 1))
    part = () if not window.turns else tuple(Fraction(k, pole_pairs) for k in range(1, 2 * pole_pairs) if k % pole_pairs)
    return tuple(sorted({*part, *(Fraction(k) for k in range(1, highest + 1))}))


def _fit(angle, columns, orders):
    """(angle (rows,), signals (rows, n), orders (k,)) => amplitudes (k, n), what noise alone makes at each (k, n)."""
    phase = np.outer(angle, [float(order) for order in orders])
    # What drifts slowly through the window is no order.
    drift = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, len(angle)), 2)
    basis = np.hstack((drift, np.cos(phase), np.sin(phase)))
    centred = columns - np.mean(columns, axis=0)
    solved = np.linalg.lstsq(basis.T @ basis, basis.T @ centred, rcond=1e-10)[0]
    tones = solved[3:].reshape(2, len(orders), -1)
    return np.hypot(tones[0], tones[1]), _noise(angle, centred - basis @ solved, orders)


def _noise(angle, left, orders):
    """(angle, what the fit leaves (rows, n), orders) => amplitude of noise near each order (k, n), coloured as it may be."""
    turned = abs(angle[-1] - angle[0]) / (2.0 * np.pi)
    power = np.abs(np.fft.rfft(left, axis=0)) ** 2
    places = np.array([float(order) * turned for order in orders])
    # The fit has emptied the bins at the orders themselves.
    kept = np.ones(len(power))
    taken = np.round(places).astype(int)
    kept[np.concatenate(([0, 1], taken[taken < len(kept)]))] = 0.0
    sums = np.vstack((np.zeros(power.shape[1]), np.cumsum(power * kept[:, None], axis=0)))
    counts = np.concatenate(([0.0], np.cumsum(kept)))
    reach = np.maximum(_NOISE_BINS, 0.3 * places).astype(int)
    low, high = np.clip(taken - reach, 0, len(power)), np.clip(taken + reach + 1, 0, len(power))
    found = counts[high] - counts[low]
    white = np.sum(power * kept[:, None], axis=0) / max(counts[-1], 1.0)
    near = np.where(found[:, None] > 2.0, (sums[high] - sums[low]) / np.maximum(found, 1.0)[:, None], white)
    return 2.0 * np.sqrt(near) / len(angle)


def _scales(recording, rows):
    """What a signal's orders are small against: rounding must not be listed as an order."""
    current = float(np.sqrt(np.mean(recording["id_A"][rows] ** 2 + recording["iq_A"][rows] ** 2)))
    current = max(current, 1e-3 * recording.scenario.machine.max_current_A)
    scales = {"id_A": current, "iq_A": current}
    for name, least in (("torque_Nm", 1e-6), ("speed_rpm", 1e-3)):
        scales[name] = max(float(np.sqrt(np.mean(recording[name][rows] ** 2))), least)
    return scales
