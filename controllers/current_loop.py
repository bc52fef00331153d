"""Current loop in the rotor frame: decoupling, PI, voltage limit with anti-windup.

kp = alpha L, ki = alpha R cancels the winding's pole: L. Harnefors, H.-P. Nee, IEEE Trans. Ind. Appl. 34(1), 1998 (from
memory).
Checked: tests/reference/test_current_loop.py.
"""

import math

from simcore.kernel import kernel


@kernel
def limit_voltage(vd, vq, limit):
    """(request [V]) => request inside the circle of `limit`; the d part, which weakens the field, goes first."""
    if vd * vd + vq * vq <= limit * limit:
        return vd, vq
    vd = min(max(vd, -limit), limit)
    room = math.sqrt(max(limit * limit - vd * vd, 0.0))
    return vd, min(max(vq, -room), room)


@kernel
def integrate_error(integral, ki, kp, error, clamped_V, requested_V, update_s):
    """(integral part, gains, error, what the clamp took away) => integral part of the next update (back-calculation)."""
    drive = error
    if kp > 0.0:
        drive += (clamped_V - requested_V) / kp
    return integral + ki * update_s * drive
