"""Controlled ramp-down: the command is brought to zero at a bounded rate, held there, and let back in at the same rate.

Rate: full scale in tuning.ramp_down_s (common practice, no source).  Checked: tests/controllers/test_ramp_down.py.
"""

import math

from simcore.kernel import kernel

STANDSTILL_SHARE = 2e-3  # of the highest speed: slower counts as standstill


@kernel
def to_full_scale(x, y, full_x, full_y, apart):
    """(pair, full scales, 1 if each has its own) => its size in full scales: as a vector, or the greater of the two."""
    x, y = x / max(full_x, 1e-300), y / max(full_y, 1e-300)
    if apart:
        return max(abs(x), abs(y))
    return math.sqrt(x * x + y * y)


@kernel
def ramped(p, s, run_request, x, y, full_x, full_y, apart):
    """(run request, command as a pair, full scales) => the pair to follow: the command, or on its way to zero and back.

    The way is a straight line, so that two quantities keep their ratio.  s.ramping is 1 until the command is back, s.resting
    while zero is held.
    """
    stop = run_request < 0.5  # an absent request is NaN and runs
    if not stop and s.ramping == 0:
        s.ramp_x, s.ramp_y = x, y
        return x, y
    share = 1.0 / max(1.0, to_full_scale(s.ramp_x, s.ramp_y, full_x, full_y, apart))
    s.ramp_x *= share
    s.ramp_y *= share
    share = 0.0 if stop else 1.0 / max(1.0, to_full_scale(x, y, full_x, full_y, apart))
    left_x, left_y = share * x - s.ramp_x, share * y - s.ramp_y
    distance = to_full_scale(left_x, left_y, full_x, full_y, apart)
    share = min(1.0, p.ramp_share / max(distance, 1e-300))
    s.ramp_x += share * left_x
    s.ramp_y += share * left_y
    if share == 1.0 and stop:
        s.ramp_x, s.ramp_y = 0.0, 0.0
    s.resting = share == 1.0 and stop
    s.ramping = stop or share < 1.0
    return s.ramp_x, s.ramp_y


@kernel
def ramped_speed(p, s, run_request, reference, omega):
    """(run request, speed reference and measured speed [rad/s]) => the reference to follow.

    The way down begins at the measured speed.  Once the shaft has come to a standstill s.resting stays 1, whatever turns the
    shaft then, and the reference goes with it, so that a new start begins where the shaft is.
    """
    stop = run_request < 0.5
    if stop and (s.ramping == 0 or s.resting):
        s.ramp_x = omega
    if stop and s.resting:
        s.ramping = 1
        return omega
    followed, _ = ramped(p, s, run_request, reference, 0.0, p.max_speed_rad_s, 1.0, 0)
    s.resting = s.resting and abs(omega) <= STANDSTILL_SHARE * p.max_speed_rad_s
    return followed
