"""Crossover, margins and sensitivity peak of a sampled loop from its open response.

Definitions as in every textbook: H. Nyquist 1932, H. W. Bode 1945 (from memory). Checked against python-control in
tests/study/response/test_loop_margins.py.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar

GRID = 600  # frequencies to look for crossings at
LOWEST = 2e-5  # the lowest of them, of the update rate


@dataclass(frozen=True)
class Margins:
    """One loop, cut at one place. None where there is no such crossing. sensitivity_peak: largest |1/(1 + L)|, None: unknown.

    Of several crossings the nearest to -1 counts: of a stable loop the least turn in either direction and the least rise of the
    gain; of an unstable one both are negative, what would have to be taken back.
    """

    crossover_Hz: float | None
    phase_margin_deg: float | None
    gain_margin_dB: float | None
    phase_crossover_Hz: float | None
    sensitivity_peak: float | None
    sensitivity_peak_Hz: float | None

    @property
    def delay_margin_s(self):
        """Dead time [s] that may come into the loop before it swings; None without a crossover."""
        if self.crossover_Hz is None:
            return None
        return self.phase_margin_deg / 360.0 / self.crossover_Hz


def frequencies(update_s, count=GRID):
    """(update period) => rising frequencies (count,) [Hz]: even on a logarithmic scale, up to half the update rate."""
    return np.geomspace(LOWEST / update_s, 0.5 / update_s * (1.0 - 1e-9), count)


def margins_of(loop, update_s, stable=True):
    """(loop: frequencies (n,) [Hz] => open response (n,), update period, is the closed loop stable) => Margins, to rounding."""
    f = frequencies(update_s)
    values = loop(f)
    unity = [_root(lambda x: _log_size(_at(loop, x)), f[k], f[k + 1]) for k in _unity_places(values)]
    real = [_root(lambda x: _at(loop, x).imag, f[k], f[k + 1]) for k in _real_places(values)]
    if abs(values[-1].imag) < 1e-6 * abs(values[-1].real) and values[-1].real < 0.0:
        real.append(f[-1])  # the response of a sampled loop may end on the real axis
    unity = [(at, _at(loop, at)) for at in unity]
    real = [(at, _at(loop, at)) for at in real]
    return _figures(unity, real, _peak(loop, f, values), stable)


def margins_on_grid(f, values, stable=True):
    """(rising frequencies (n,), open response (n,), closed loop stable) => Margins, by straight lines between the points on
    logarithmic scales.

    For curves that were measured, and where a look at many operating points must be quick.
    """
    size, turn = np.log(np.maximum(np.abs(values), 1e-300)), np.unwrap(np.angle(values))

    def between(k, part):
        at = math.exp((1.0 - part) * math.log(f[k]) + part * math.log(f[k + 1]))
        value = np.exp((1.0 - part) * size[k] + part * size[k + 1] + 1j * ((1.0 - part) * turn[k] + part * turn[k + 1]))
        return at, complex(value)

    unity = [between(k, size[k] / (size[k] - size[k + 1])) for k in _unity_places(values)]
    real = []
    for k in _real_places(values):
        level = math.pi * (2.0 * round((turn[k] / math.pi - 1.0) / 2.0) + 1.0)
        real.append(between(k, min(max((level - turn[k]) / (turn[k + 1] - turn[k]), 0.0), 1.0)))
    sensitivity = 1.0 / np.maximum(np.abs(1.0 + values), 1e-300)
    k = int(np.argmax(sensitivity))
    return _figures(unity, real, (float(f[k]), float(sensitivity[k])), stable)


def _figures(unity, real, peak, stable):
    """Crossings of 1 and of the negative axis as (frequency, response), (frequency, sensitivity peak) => Margins."""
    turns = [(at, math.degrees(np.angle(-value))) for at, value in unity]
    gains = [(at, -20.0 * math.log10(abs(value))) for at, value in real]
    if stable:
        turns = [(at, abs(turn)) for at, turn in turns]
        gains = [pair for pair in gains if pair[1] > 0.0]
    else:
        turns = [pair for pair in turns if pair[1] < 0.0] or [(at, -abs(turn)) for at, turn in turns]
        gains = [pair for pair in gains if pair[1] < 0.0]
    return _nearest(turns, gains, peak)


def _nearest(turns, gains, peak):
    crossover, phase_margin = min(turns, key=lambda pair: abs(pair[1]), default=(None, None))
    phase_crossover, gain_margin = min(gains, key=lambda pair: abs(pair[1]), default=(None, None))
    return Margins(crossover, phase_margin, gain_margin, phase_crossover, peak[1], peak[0])


def least_of(several):
    """(Margins of several curves that belong to one loop) => the least of each."""
    turns = [(m.crossover_Hz, m.phase_margin_deg) for m in several if m.crossover_Hz is not None]
    gains = [(m.phase_crossover_Hz, m.gain_margin_dB) for m in several if m.gain_margin_dB is not None]
    peak = max(((m.sensitivity_peak_Hz, m.sensitivity_peak) for m in several), key=lambda pair: pair[1])
    return _nearest(turns, gains, peak)


def _at(loop, frequency_Hz):
    return complex(loop(np.array([frequency_Hz]))[0])


def _log_size(value):
    return math.log(max(abs(value), 1e-300))


def _root(function, low, high):
    return brentq(function, low, high, xtol=1e-12 * high, rtol=1e-13)


def _unity_places(values):
    above = np.abs(values) >= 1.0
    return np.flatnonzero(above[:-1] != above[1:])


def _real_places(values):
    """Numbers of the intervals in which the response crosses the negative real axis."""
    upper, left = values.imag >= 0.0, values.real < 0.0
    return np.flatnonzero((upper[:-1] != upper[1:]) & left[:-1] & left[1:])


def _peak(loop, f, values):
    """=> frequency and size of the largest |1/(1 + L)|."""
    distance = np.abs(1.0 + values)
    k = int(np.argmin(distance))
    low, high = f[max(k - 1, 0)], f[min(k + 1, len(f) - 1)]
    found = minimize_scalar(
        lambda x: abs(1.0 + _at(loop, x)), bounds=(low, high), method="bounded", options={"xatol": 1e-7 * high}
    )
    if found.fun < distance[k]:
        return float(found.x), float(1.0 / max(found.fun, 1e-300))
    return float(f[k]), float(1.0 / max(distance[k], 1e-300))
