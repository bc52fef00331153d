"""Incremental encoder: edges counted from the last alignment or index pulse, speed from the counts of an update.

A shaft at angle x has passed floor(N x / 2 pi) counts (N = 4 x lines).  Counts are lost at one dirty place, half a turn from
the index: every pass there in either direction leaves them out.  With an index pulse the count starts anew once a turn.
N and the controller's angle a count differ where it is told a wrong number of lines.  Speed: counts a sampling interval,
behind a first-order low-pass.  Checked: tests/sensing/test_encoder.py.
"""

import math

from simcore.kernel import kernel
from simcore.rotation import TWO_PI


@kernel
def passed(sensor, turns, theta):
    """(whole turns, angle within them [rad]) => counts passed, dirty places passed, the turn."""
    share = theta / TWO_PI
    whole = math.floor(share)
    counts = (turns + whole) * sensor.counts + math.floor(sensor.counts * (share - whole))
    return counts, turns + math.floor(share + 0.5), turns + whole


@kernel
def start_encoder(sensor, state, theta, omega):
    """(angle at the start [rad], speed) => counter that stands on the true angle, as after an alignment."""
    counts, marks, turn = passed(sensor, state.turns, theta)
    state.encoder_turn, state.encoder_count = turn, counts - sensor.lost_counts * marks
    state.encoder_from_count, state.encoder_from_mark, state.encoder_from_rad = counts, marks, theta
    state.encoder_rad_s = omega


@kernel
def sense_encoder(sensor, state, theta, interval_s):
    """(true angle [rad], time since the last sample [s]) => mechanical angle [rad] and speed [rad/s] as counted."""
    counts, marks, turn = passed(sensor, state.turns, theta)
    if sensor.index and turn != state.encoder_turn:
        boundary = max(turn, state.encoder_turn)
        state.encoder_from_count, state.encoder_from_mark, state.encoder_from_rad = boundary * sensor.counts, boundary, 0.0
    state.encoder_turn = turn
    seen = counts - sensor.lost_counts * marks
    speed = (seen - state.encoder_count) * sensor.count_rad / interval_s
    state.encoder_count = seen
    share = 1.0
    if sensor.speed_filter_rad_s > 0.0:
        share = 1.0 - math.exp(-sensor.speed_filter_rad_s * interval_s)
    state.encoder_rad_s += share * (speed - state.encoder_rad_s)
    since = counts - state.encoder_from_count - sensor.lost_counts * (marks - state.encoder_from_mark)
    return state.encoder_from_rad + since * sensor.count_rad, state.encoder_rad_s
