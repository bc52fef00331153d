"""Current loop in the rotor frame: decoupling, PI, voltage limit with anti-windup.

kp = alpha L, ki = alpha R cancels the winding's pole: L. Harnefors, H.-P. Nee, IEEE Trans. Ind. Appl. 34(1), 1998 (from
memory).
Checked: tests/reference/test_current_loop.py.
"""

import math

from simcore.kernel import kernel

MOST_TURN_RAD = 0.2  # a large request is a transient and says little about the angle


@kernel
def steering(alpha, omega_e):
    """(bandwidth, electrical speed [rad/s]) => how far a clamped vector is turned, in rad for each unit of excess."""
    return alpha * omega_e / (omega_e * omega_e + 0.0625 * alpha * alpha)


@kernel
def limit_voltage(vd, vq, limit, steer):
    """(request [V], circle [V], steering) => request inside the circle: cut along its direction and turned ahead.

    At the limit only the vector's angle is left to move the current. A small flux error (r along the voltage, t across) asks
    for -alpha r - omega t beyond the limit; turning by g of that excess gives (s + alpha)(s + g omega), so the reference is the
    only point of rest. g is alpha/omega, less at low speed (derived here). Cut without turning the loop creeps (a pole at 0);
    d first has a second point of rest near id = -psi/Ld.
    """
    square = vd * vd + vq * vq
    if square <= limit * limit:
        return vd, vq
    size = math.sqrt(square)
    push = min(max(steer * (size / limit - 1.0), -MOST_TURN_RAD), MOST_TURN_RAD)
    share = limit / (size * math.sqrt(1.0 + push * push))
    return share * (vd - push * vq), share * (vq + push * vd)


@kernel
def active_resistance(alpha, kp, resistance_ohm):
    """(bandwidth [rad/s], kp = alpha L, R) => active resistance Ra = alpha L - R [ohm], ki = alpha (R + Ra) = alpha^2 L.

    The winding with Ra inside is as fast as the loop: the reference is followed as by pole cancellation, a disturbance e is
    answered by -s/(L (s + alpha)^2) e. Harnefors, Nee, IEEE Trans. Ind. Appl. 34(1), 1998 (from memory). Checked:
    tests/controllers/test_active_damping.py.
    """
    active_ohm = max(kp - resistance_ohm, 0.0)
    return active_ohm, alpha * (resistance_ohm + active_ohm)


@kernel
def integrate_error(integral, ki, kp, error, clamped_V, requested_V, update_s):
    """(integral part, gains, error, what the clamp took away) => integral part of the next update (back-calculation)."""
    drive = error
    if kp > 0.0:
        drive += (clamped_V - requested_V) / kp
    return integral + ki * update_s * drive
