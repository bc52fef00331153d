"""Modulators: requested phase voltages => leg duties.  Public: a controller may call them.

Linear limits (phase peak): sine Vdc/2, all others Vdc/sqrt(3); six-step reaches a fundamental of 2/pi Vdc.  Source:
D. G. Holmes, T. A. Lipo, Pulse Width Modulation for Power Converters, 2003 (from memory).
Checked: tests/reference/test_modulation_limits.py, test_overmodulation.py.
"""

import math

from simcore.inverter.overmodulation import reshape
from simcore.kernel import inlined, kernel
from simcore.rotation import SQRT3

SINE, THIRD_HARMONIC, SVPWM, DPWM1, DPWM_MIN, DPWM_MAX, SIX_STEP = range(7)
MODULATIONS = {
    "sine": SINE,
    "third_harmonic": THIRD_HARMONIC,
    "svpwm": SVPWM,
    "dpwm1": DPWM1,
    "dpwm_min": DPWM_MIN,
    "dpwm_max": DPWM_MAX,
    "six_step": SIX_STEP,
}


@kernel
def linear_limit(modulation, link_V):
    """(modulation code, link voltage [V]) => largest undistorted phase voltage [V peak]."""
    if modulation == SINE:
        return 0.5 * link_V
    return link_V / SQRT3


@kernel
def voltage_ceiling(modulation, link_V):
    """(modulation code, link voltage [V]) => largest fundamental that a request may ask for [V peak]."""
    if modulation == SIX_STEP:
        return 2.0 / math.pi * link_V
    return linear_limit(modulation, link_V)


@inlined
def on_rail(duty):
    """(duty) => duty in 0..1; one that rounding keeps off a rail lies on it, so that a clamped leg does not switch."""
    if duty < 1e-12:
        return 0.0
    return 1.0 if duty > 1.0 - 1e-12 else duty


@kernel
def leg_duties(modulation, v_alpha, v_beta, link_V):
    """(requested voltage in the stator frame [V peak], link voltage [V]) => duties of legs a, b, c, clipped to 0..1.

    Third harmonic: zero sequence of 1/6 of the amplitude, from cos(3x) = 4 cos^3(x) - 3 cos(x).
    Space vector and six-step: zero sequence -(max + min)/2 centres the two zero states.  Discontinuous: the lowest leg is
    held at the negative rail (dpwm_min), the highest at the positive (dpwm_max), or the one further out (dpwm1).
    """
    if not link_V > 0.0:
        return 0.5, 0.5, 0.5
    if modulation == SIX_STEP:
        v_alpha, v_beta = reshape(v_alpha, v_beta, link_V)
    a = v_alpha
    b = -0.5 * v_alpha + 0.5 * SQRT3 * v_beta
    c = -0.5 * v_alpha - 0.5 * SQRT3 * v_beta
    highest = max(a, max(b, c))
    lowest = min(a, min(b, c))
    zero = 0.0
    if modulation == SVPWM or modulation == SIX_STEP:
        zero = -0.5 * (highest + lowest)
    elif modulation == THIRD_HARMONIC:
        amplitude2 = a * a + v_beta * v_beta
        if amplitude2 > 0.0:
            zero = -(4.0 * a * a * a / amplitude2 - 3.0 * a) / 6.0
    elif modulation == DPWM_MAX or (modulation == DPWM1 and highest >= -lowest):
        zero = 0.5 * link_V - highest
    elif modulation == DPWM_MIN or modulation == DPWM1:
        zero = -0.5 * link_V - lowest
    scale = 1.0 / link_V
    duty_a = 0.5 + (a + zero) * scale
    duty_b = 0.5 + (b + zero) * scale
    duty_c = 0.5 + (c + zero) * scale
    return on_rail(duty_a), on_rail(duty_b), on_rail(duty_c)
