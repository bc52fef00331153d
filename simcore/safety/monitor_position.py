"""Checks of angle and speed: the resolver's channels, its tracking loop, jumps, over-speed.

Checked: tests/safety/test_monitor_position.py.
"""

import math

from simcore.kernel import kernel
from simcore.safety.monitor_judge import above, look
from simcore.safety.monitor_records import OVERSPEED, RESOLVER_ENVELOPE, RESOLVER_TRACKING, SPEED_JUMP

DEG = 180.0 / math.pi


@kernel
def check_position(safety, monitor, m, tracked_rad, tick):
    """(measurement, angle of the tracking loop) => checks of angle and speed judged."""
    sine, cosine = monitor.channel_sin, monitor.channel_cos
    envelope = math.sqrt(sine * sine + cosine * cosine)
    check = safety.checks[RESOLVER_ENVELOPE]
    look(safety, monitor, RESOLVER_ENVELOPE, envelope, envelope > check.limit or envelope < check.low, tick)
    if safety.checks[RESOLVER_TRACKING].on:
        above(safety, monitor, RESOLVER_TRACKING, tracking_error_deg(sine, cosine, tracked_rad), tick)
    if monitor.started == 0:
        monitor.slow_rpm = m.speed_rpm
    above(safety, monitor, SPEED_JUMP, abs(m.speed_rpm - monitor.slow_rpm), tick)
    monitor.slow_rpm += safety.slow_share * (m.speed_rpm - monitor.slow_rpm)
    above(safety, monitor, OVERSPEED, abs(m.speed_rpm), tick)


@kernel
def tracking_error_deg(sine, cosine, tracked_rad):
    """(channels, tracked angle) => how far the channels' angle lies from the tracked one [deg of the resolver]."""
    along = sine * math.sin(tracked_rad) + cosine * math.cos(tracked_rad)
    across = sine * math.cos(tracked_rad) - cosine * math.sin(tracked_rad)
    return DEG * abs(math.atan2(across, along))
