"""Speed loop: PI with weighted set-point and anti-windup against the torque that was granted.

With crossover w: kp = w J, ki = kp w / 4, which puts both poles at w/2; the set-point weight of 1/2 cancels one of them, so a
step settles like one time constant of 2/w without overshoot (derived here).  Checked: tests/controllers/test_speed_loop.py.
"""

from simcore.kernel import kernel


@kernel
def speed_torque(kp, weight, integral, reference, speed):
    """(speeds [rad/s mechanical]) => torque request [Nm]."""
    return kp * (weight * reference - speed) + integral


@kernel
def integrate_speed(integral, kp, ki, reference, speed, granted_Nm, requested_Nm, update_s):
    """(error, torque granted and requested) => integral part of the next update (back-calculation over kp/(2 ki)).

    At that rate a limit is left while the error is still (2/w) x acceleration, from where it decays without overshoot;
    over kp/ki the limit would only be left once the reference is reached.
    """
    drive = ki * (reference - speed)
    if kp > 0.0:
        drive += (2.0 * ki / kp) * (granted_Nm - requested_Nm)
    return integral + update_s * drive
