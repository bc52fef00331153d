"""Angles and axes: constants of the three-phase frame, rotation by small angles, wrapping.  Used by every kernel room."""

import math

from simcore.kernel import inlined

SQRT3 = math.sqrt(3.0)
HALF_SQRT3 = 0.5 * math.sqrt(3.0)
INV_SQRT3 = 1.0 / math.sqrt(3.0)
TWO_PI = 2.0 * math.pi
SMALL_RAD = 0.3
S3, S5, S7, S9, S11 = -1.0 / 6.0, 1.0 / 120.0, -1.0 / 5040.0, 1.0 / 362880.0, -1.0 / 39916800.0
C4, C6, C8, C10 = 1.0 / 24.0, -1.0 / 720.0, 1.0 / 40320.0, -1.0 / 3628800.0


@inlined
def turn(sine, cosine, angle):
    """(sin a, cos a, angle [rad]) => sin(a + angle), cos(a + angle).

    Below 0.3 rad by Taylor series (error under 1e-16), which costs a third of the library's functions.
    """
    if abs(angle) < SMALL_RAD:
        x2 = angle * angle
        s = angle + angle * x2 * (S3 + x2 * (S5 + x2 * (S7 + x2 * (S9 + x2 * S11))))
        c = 1.0 + x2 * (-0.5 + x2 * (C4 + x2 * (C6 + x2 * (C8 + x2 * C10))))
    else:
        s, c = math.sin(angle), math.cos(angle)
    return sine * c + cosine * s, cosine * c - sine * s


@inlined
def wrap(angle):
    """(angle [rad]) => the same angle in (-pi, pi]."""
    if angle > math.pi or angle <= -math.pi:
        angle -= TWO_PI * math.ceil(angle / TWO_PI - 0.5)
    return angle
