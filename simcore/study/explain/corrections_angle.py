"""Angle sensors: mounting, resolver channels behind their tracking loop, counts of an encoder."""

import math

import numpy as np

from simcore.study.explain.correction import Correction, degrees, percent

_PLACES = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)[1:]


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


def _of_resolver(b, value):
    """An electrical angle of the machine as share of the resolver's amplitude."""
    return abs(value) * b.position.pole_pairs / b.pole_pairs


def _turn(b):
    return np.mod(b.angle_rad / b.pole_pairs, 2.0 * np.pi)


def _counts(place):
    """Counts lost at one place of the turn make a step that lasts to the index pulse; the rest of the turn shifts along."""
    return lambda b, p: {"angle_rad": b.angle_rad - p[0] * (_turn(b) >= place) - p[1]}


def _wrong_lines(b, p):
    return {"angle_rad": b.angle_rad - p[0] * _turn(b) / (2.0 * np.pi) - p[1]}


MOUNTING = Correction(
    "angle_offset", 1, lambda b: (1e-3,), _angle, lambda b, p: f"{math.degrees(p[0]):+.2g} deg electrical",
    lambda p: abs(p[0]) < 0.6,
)  # fmt: skip
RESOLVER = (
    Correction("resolver_offset", 2, lambda b: (1e-4,) * 2, _channel_offset,
               lambda b, p: f"{percent(_of_resolver(b, math.hypot(*p) / abs(tracked(b, 1))))} of the amplitude"),
    Correction("resolver_amplitude", 1, lambda b: (1e-4,), _amplitude, lambda b, p: percent(2.0 * _of_resolver(b, p[0]))),
    Correction("resolver_quadrature", 1, lambda b: (1e-4,), _quadrature, lambda b, p: degrees(2.0 * _of_resolver(b, p[0]))),
)  # fmt: skip
ENCODER = (
    *(
        Correction("encoder_counts", 2, lambda b: (1e-3,) * 2, _counts(place),
                   lambda b, p: f"{degrees(p[0])} electrical for a part of the turn")
        for place in _PLACES
    ),
    Correction("encoder_counts", 2, lambda b: (1e-3,) * 2, _wrong_lines,
               lambda b, p: f"{degrees(p[0])} electrical by the turn's end"),
)  # fmt: skip
OF_KIND = {"resolver": RESOLVER, "encoder": ENCODER}
