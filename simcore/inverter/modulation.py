"""Modulators: requested phase voltages => leg duties.  Public: a controller may call them.

Linear limits (phase peak): sine Vdc/2, third harmonic of 1/6 and space vector Vdc/sqrt(3).  Source: D. G. Holmes, T. A. Lipo,
Pulse Width Modulation for Power Converters, 2003 (from memory).  Checked: tests/reference/test_modulation_limits.py.
"""

from simcore.kernel import kernel
from simcore.rotation import SQRT3

SINE, THIRD_HARMONIC, SVPWM = 0, 1, 2
MODULATIONS = {"sine": SINE, "third_harmonic": THIRD_HARMONIC, "svpwm": SVPWM}


@kernel
def linear_limit(modulation, link_V):
    """(modulation code, link voltage [V]) => largest undistorted phase voltage [V peak]."""
    if modulation == SINE:
        return 0.5 * link_V
    return link_V / SQRT3


@kernel
def leg_duties(modulation, v_alpha, v_beta, link_V):
    """(requested voltage in the stator frame [V peak], link voltage [V]) => duties of legs a, b, c, clipped to 0..1.

    Third harmonic: zero sequence of 1/6 of the amplitude, from cos(3x) = 4 cos^3(x) - 3 cos(x).
    Space vector: zero sequence -(max + min)/2 centres the two zero states.
    """
    if not link_V > 0.0:
        return 0.5, 0.5, 0.5
    a = v_alpha
    b = -0.5 * v_alpha + 0.5 * SQRT3 * v_beta
    c = -0.5 * v_alpha - 0.5 * SQRT3 * v_beta
    zero = 0.0
    if modulation == SVPWM:
        zero = -0.5 * (max(a, max(b, c)) + min(a, min(b, c)))
    elif modulation == THIRD_HARMONIC:
        amplitude2 = a * a + v_beta * v_beta
        if amplitude2 > 0.0:
            zero = -(4.0 * a * a * a / amplitude2 - 3.0 * a) / 6.0
    scale = 1.0 / link_V
    duty_a = 0.5 + (a + zero) * scale
    duty_b = 0.5 + (b + zero) * scale
    duty_c = 0.5 + (c + zero) * scale
    return min(max(duty_a, 0.0), 1.0), min(max(duty_b, 0.0), 1.0), min(max(duty_c, 0.0), 1.0)
