"""Hypotheses: each imperfection as the correction that would undo it in what was measured, with its few unknown numbers.

A correction maps (Balance, numbers) to what it changes: current, angle, voltage or resistance. The one with which the
voltage equation closes best is the likeliest cause, and its numbers are the imperfection's size.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from simcore.report.wording import number
from simcore.study.explain.balance import PHASES, phases_of

_EMF_ORDERS = (6, 12)
# Their volts depend on the currents, so the sensors are put right before them.
POWER_STAGE = ("dead_time", "device_drop", "device_resistance")
_SIGN_BAND = 0.01  # of the greatest current: a drop does not jump at zero current


@dataclass(frozen=True)
class Correction:
    """cause: key in CAUSES. count: unknown numbers. scale(balance) => their scale. apply(balance, p) => changed arrays.
    size(balance, p) => words. plausible(p) => False for a sign or size that the imperfection cannot have."""

    cause: str
    count: int
    scale: Callable
    apply: Callable
    size: Callable
    plausible: Callable = lambda p: True


def _offset(b, p):
    return {"i_A": b.i_A - complex(p[0], p[1])}


def _gain(b, p):
    return {"i_A": b.i_A - p[0] * b.i_A - complex(p[1], p[2]) * b.i_A.conj()}


def _lag(b, p):
    return {"i_A": b.i_A + p[0] * np.gradient(b.i_A) / b.interval_s}


def _angle(b, p):
    return {"angle_rad": b.angle_rad - p[0]}


def resolver_angle(b):
    """Angle of the resolver's own period, as measured [rad]."""
    return b.angle_rad * b.position.pole_pairs / b.pole_pairs


def tracked(b, multiple):
    """How the tracking loop passes a multiple of the resolver's frequency (complex)."""
    omega = 2.0 * math.pi * b.position.tracking_natural_frequency_Hz
    s = 1j * multiple * b.position.pole_pairs / b.pole_pairs * b.omega_e
    wide = 2.0 * b.position.tracking_damping * omega * s + omega**2
    return wide / (s * s + wide)


def _channel_offset(b, p):
    x = resolver_angle(b)
    return {"angle_rad": b.angle_rad - p[0] * np.cos(x) - p[1] * np.sin(x)}


def _amplitude(b, p):
    return {"angle_rad": b.angle_rad - p[0] * (tracked(b, 2) * np.exp(2j * resolver_angle(b))).imag}


def _quadrature(b, p):
    return {"angle_rad": b.angle_rad - p[0] * (1.0 - (tracked(b, 2) * np.exp(2j * resolver_angle(b))).real)}


def drop_vector(b, switching_only):
    """Space vector (n,) of one volt lost in each leg against its current; of legs that switch in the interval only."""
    currents = phases_of(0.5 * (b.i_A[1:] + b.i_A[:-1]))
    signs = currents / np.hypot(currents, _SIGN_BAND * b.max_current_A)
    if switching_only:
        signs = signs * ((b.duties > 0.0) & (b.duties < 1.0))
    return 2.0 / 3.0 * (signs @ PHASES)


def _drop(b, p):
    return {"u_V": b.u_V - p[0] * drop_vector(b, False)}


def _dead_time(b, p):
    return {"u_V": b.u_V - p[0] * drop_vector(b, True)}


def _resistance(b, p):
    return {"resistance_ohm": b.resistance_ohm + p[0]}


def _link(b, p):
    return {"u_V": b.u_V * (1.0 + p[0])}


def _emf(b, p):
    """Numbers are flux linkages [Wb], so that windows of unlike speed share them."""
    lost = 0.0
    for k, order in enumerate(_EMF_ORDERS):
        turning = np.exp(1j * order * b.middle_rad)
        lost = lost + complex(p[4 * k], p[4 * k + 1]) * turning + complex(p[4 * k + 2], p[4 * k + 3]) * turning.conj()
    return {"u_V": b.u_V - b.omega_e * lost * np.exp(1j * b.middle_rad)}


def _emf_share(b, p):
    magnets = abs(b.flux(np.zeros(1, complex))[0])
    return _percent(max(math.hypot(*pair) for pair in np.reshape(p, (-1, 2))) / magnets) + " of its fundamental"


def _counts(place):
    """Counts lost at one place of the turn make a step that lasts to the index pulse; the rest of the turn shifts along."""

    def apply(b, p):
        turn = np.mod(b.angle_rad / b.pole_pairs, 2.0 * np.pi)
        return {"angle_rad": b.angle_rad - p[0] * (turn >= place) - p[1]}

    return apply


def _wrong_lines(b, p):
    turn = np.mod(b.angle_rad / b.pole_pairs, 2.0 * np.pi)
    return {"angle_rad": b.angle_rad - p[0] * turn / (2.0 * np.pi) - p[1]}


def _short_pulses(threshold_s):
    """Pulses and gaps shorter than this did not happen."""

    def apply(b, _):
        pulse_s = 2.0 * b.duties * b.tick_s
        duties = np.where(pulse_s < threshold_s, 0.0, np.where(2.0 * b.tick_s - pulse_s < threshold_s, 1.0, b.duties))
        return {"u_V": 2.0 / 3.0 * b.link_V * (duties @ PHASES)}

    return apply


def _thresholds(b):
    """Lengths of the shortest pulses and gaps that were asked for, as far as there are any [s]."""
    shortest = 2.0 * b.tick_s * np.minimum(b.duties, 1.0 - b.duties).ravel()
    shortest = np.sort(shortest[(shortest > 0.0) & (shortest < 0.3 * b.tick_s)])
    return np.unique(shortest[np.linspace(0, len(shortest) - 1, 12).astype(int)] * 1.001) if len(shortest) else ()


def _percent(value):
    return f"{100.0 * abs(value):.2g} %"


def _degrees(value):
    return f"{abs(math.degrees(value)):.2g} deg"


def _of_resolver(b, value):
    """An electrical angle of the machine as share of the resolver's amplitude."""
    return abs(value) * b.position.pole_pairs / b.pole_pairs


_ALWAYS = (
    Correction("current_offset", 2, lambda b: (1e-3 * b.max_current_A,) * 2, _offset,
               lambda b, p: f"a vector of {number(math.hypot(*p), 'A', 2)}"),
    Correction("current_gain", 3, lambda b: (1e-3,) * 3, _gain,
               lambda b, p: f"{_percent(2.0 * math.hypot(p[1], p[2]))} between phases, {_percent(p[0])} in the mean",
               lambda p: np.max(np.abs(p)) < 0.2),
    Correction("current_lag", 1, lambda b: (1e-6,), _lag, lambda b, p: f"about {1.0 / (2.0 * math.pi * p[0]):.0f} Hz",
               lambda p: p[0] > 0.0),
    Correction("angle_offset", 1, lambda b: (1e-3,), _angle, lambda b, p: f"{math.degrees(p[0]):+.2g} deg electrical",
               lambda p: abs(p[0]) < 0.6),
    Correction("dead_time", 1, lambda b: (1e-2,), _dead_time,
               lambda b, p: f"{number(p[0], 'V', 2)} a leg, as of {number(p[0] / _volts_a_second(b), 's', 2)} of dead time",
               lambda p: p[0] > 0.0),
    Correction("device_drop", 1, lambda b: (1e-2,), _drop, lambda b, p: f"{number(p[0], 'V', 2)} a leg", lambda p: p[0] > 0.0),
    Correction("device_resistance", 1, lambda b: (1e-2 * b.resistance_ohm + 1e-6,), _resistance,
               lambda b, p: number(p[0], "ohm", 2), lambda p: p[0] > 0.0),
    Correction("link_voltage", 1, lambda b: (1e-3,), _link, lambda b, p: f"{100.0 * p[0]:+.2g} %", lambda p: abs(p[0]) < 0.2),
    Correction("emf_harmonics", 8, lambda b: (1e-5,) * 8, _emf, _emf_share),
)  # fmt: skip
_RESOLVER = (
    Correction("resolver_offset", 2, lambda b: (1e-4,) * 2, _channel_offset,
               lambda b, p: f"{_percent(_of_resolver(b, math.hypot(*p) / abs(tracked(b, 1))))} of the amplitude"),
    Correction("resolver_amplitude", 1, lambda b: (1e-4,), _amplitude, lambda b, p: _percent(2.0 * _of_resolver(b, p[0]))),
    Correction("resolver_quadrature", 1, lambda b: (1e-4,), _quadrature, lambda b, p: _degrees(2.0 * _of_resolver(b, p[0]))),
)  # fmt: skip
_PLACES = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)[1:]


def corrections_for(b):
    """Balance => the corrections that can be meant by its drive."""
    found = list(_ALWAYS)
    if b.position.kind == "resolver":
        found += _RESOLVER
    if b.position.kind == "encoder":
        told = "{} electrical for a part of the turn"
        found += [
            Correction("encoder_counts", 2, lambda b: (1e-3,) * 2, _counts(place), lambda b, p: told.format(_degrees(p[0])))
            for place in _PLACES
        ]
        found.append(
            Correction("encoder_counts", 2, lambda b: (1e-3,) * 2, _wrong_lines,
                       lambda b, p: f"{_degrees(p[0])} electrical by the turn's end")
        )
    found += [
        Correction("minimum_pulse", 0, lambda b: (), _short_pulses(threshold_s),
                   lambda b, p, t=threshold_s: f"shorter than {number(t, 's', 2)}")
        for threshold_s in _thresholds(b)
    ]
    return found


def _volts_a_second(b):
    """Volts that a second of dead time costs a leg."""
    return float(np.mean(b.link_V)) * b.carrier_Hz
