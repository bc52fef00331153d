"""Orders of the electrical frequency: least-squares fits, so that windows need not be whole periods."""

from fractions import Fraction

import numpy as np

from simcore.measure.errors import MeasureError
from simcore.measure.windows import signal_values, window

HIGHEST_ORDER = 40
_BLOCK_ROWS = 8192


def electrical_angle(recording, rows, fundamental_Hz=None):
    """(recording, rows, fundamental_Hz) => electrical angle, unwrapped [rad] (rows,).

    A given frequency wins; otherwise p times the shaft's angle, unwrapped with the help of its speed.
    """
    if fundamental_Hz is not None:
        if not fundamental_Hz > 0:
            raise MeasureError(f"fundamental_Hz = {fundamental_Hz:g}: must be above 0 (Hz).")
        return 2.0 * np.pi * fundamental_Hz * np.asarray(recording.time_s[rows], dtype=np.float64)
    pole_pairs = getattr(getattr(getattr(recording, "scenario", None), "machine", None), "pole_pairs", None)
    if pole_pairs is None or "angle_deg" not in recording.signals:
        raise MeasureError("The recording has no shaft angle: give fundamental_Hz.")
    turns = signal_values(recording, "angle_deg", rows) / 360.0
    moved = np.diff(turns)
    expected = np.zeros_like(moved)
    if "speed_rpm" in recording.signals:
        speed = signal_values(recording, "speed_rpm", rows) / 60.0
        expected = 0.5 * (speed[1:] + speed[:-1]) * np.diff(recording.time_s[rows])
    moved = moved + np.round(expected - moved)
    turns = np.concatenate((turns[:1], turns[0] + np.cumsum(moved)))
    return 2.0 * np.pi * pole_pairs * turns


def fit_orders(angle_rad, values, orders):
    """(angle [rad] (rows,), values (rows,), orders (n,)) => complex c (n,): values = Re sum c exp(j order angle).

    Normal equations, gathered block by block so that long windows need little memory. Order 0 must come first.
    """
    orders = np.asarray(orders, dtype=np.float64)
    columns = 2 * len(orders) - 1
    gram, right = np.zeros((columns, columns)), np.zeros(columns)
    centre = float(np.mean(values))
    for begin in range(0, len(values), _BLOCK_ROWS):
        rows = slice(begin, begin + _BLOCK_ROWS)
        phase = np.outer(angle_rad[rows], orders[1:])
        basis = np.hstack((np.ones((len(phase), 1)), np.cos(phase), np.sin(phase)))
        gram += basis.T @ basis
        right += basis.T @ (values[rows] - centre)
    solved = np.linalg.solve(gram, right)
    count = len(orders) - 1
    tones = solved[1 : 1 + count] - 1j * solved[1 + count :]
    return np.concatenate(([solved[0] + centre], tones))


def _fit(request, order):
    """request, highest order wanted => (orders (n,), amplitudes (n,)), all that the rows can tell apart."""
    recording = request.recording
    chosen = window(recording, request.from_s, request.to_s)
    values = signal_values(recording, request.signal, chosen.rows)
    angle = electrical_angle(recording, chosen.rows, request.fundamental_Hz)
    pitch = Fraction(order).limit_denominator(64).denominator
    steps = np.abs(np.diff(angle))
    if len(steps) == 0 or np.max(steps) == 0.0:
        raise MeasureError("The electrical speed is zero in the window: give fundamental_Hz.")
    span = (abs(angle[-1] - angle[0]) + np.mean(steps)) / (2.0 * np.pi)
    if span < 0.999 * pitch:
        raise MeasureError(
            f"The window holds {span:.3g} electrical periods, order {order:g} needs at least {pitch}: "
            "widen the window, or give fundamental_Hz."
        )
    # Two orders whose sum is the rows of a period cannot be told apart (Nyquist); unknowns must not outnumber rows.
    reach = min(np.pi / np.max(steps) * (1.0 - 1e-9), (len(values) - 1) / 2.0 / pitch)
    if order > reach:
        raise MeasureError(
            f"Order {order:g} needs more rows: these reach order {reach:.3g}. Record more often (run.record_every)."
        )
    highest = min(max(order, HIGHEST_ORDER / pitch), reach)
    orders = np.arange(int(highest * pitch + 1e-9) + 1) / pitch
    return orders, fit_orders(angle, values, orders)


def harmonic_amplitude(request):
    """request => amplitude (peak) of one order of the electrical frequency [the signal's unit].

    Fitted together with all orders from 0 to 40, or as far as the rows reach. An order may be a fraction, such as 1/4
    for once a turn with four pole pairs; all multiples of its fraction are then fitted.
    """
    order = request.order
    if order is None:
        raise MeasureError("harmonic_amplitude needs order (a multiple of the electrical frequency).")
    if not order >= 0:
        raise MeasureError(f"order = {order:g}: must be 0 or above.")
    orders, amplitudes = _fit(request, order)
    return float(abs(amplitudes[np.argmin(np.abs(orders - order))]))


def thd(request):
    """request => root of the sum of squares of orders 2 to 40 (or as far as the rows reach), percent of order 1."""
    _, amplitudes = _fit(request, 2)
    magnitude = np.abs(amplitudes)
    if magnitude[1] <= 1e-12 * max(np.max(magnitude), 1e-300):
        raise MeasureError(f"{request.signal} has no component at the electrical frequency: thd_percent is undefined.")
    return float(100.0 * np.sqrt(np.sum(magnitude[2 : HIGHEST_ORDER + 1] ** 2)) / magnitude[1])
