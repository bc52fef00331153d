"""Torque on top of the request: damping of a torsional oscillation, feed-forward against ripple."""

import math

from simcore.kernel import kernel


@kernel
def damping_torque(p, s, omega):
    """(measured speed [rad/s]) => -k x high-passed speed [Nm].

    First-order high-pass, exact for a speed that is held over an update: what a slow shaft does is left alone, a twisting one
    sees a viscous damper (common practice, no source).  Checked: tests/controllers/test_active_damping.py.
    """
    if s.started == 0:
        s.slow_rad_s = omega
    fast = omega - s.slow_rad_s
    s.slow_rad_s += p.highpass_share * fast
    return -p.damping_Nm_s * fast


@kernel
def ripple_torque(p, angle_electrical_rad):
    """(electrical angle) => sum of torque x sin(order x angle + phase) over the entries [Nm].

    Checked: tests/controllers/test_torque_extras.py.
    """
    total = 0.0
    for index in range(p.ripples):
        total += p.ripple_Nm[index] * math.sin(p.ripple_order[index] * angle_electrical_rad + p.ripple_phase_rad[index])
    return total


@kernel
def extra_torque(p, s, angle_electrical_rad, omega):
    """(measured angle and speed) => torque to add to the request [Nm]; the angle is advanced to where the duties act."""
    extra = 0.0
    if p.damping_Nm_s > 0.0:
        extra += damping_torque(p, s, omega)
    if p.ripples > 0:
        extra += ripple_torque(p, angle_electrical_rad + p.machine.pole_pairs * omega * p.acting_s)
    return extra
