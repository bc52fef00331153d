"""Profiles in the loop: the value of each command and load profile at a tick."""

from simcore.kernel import kernel


@kernel
def _value(profile, points, at, tick):
    """(profile, points [tick, value, ...], index of the last point reached, tick) => value."""
    base = profile.start + 2 * at
    here = points[base + 1]
    if profile.linear and at + 1 < profile.count and tick > points[base]:
        span = points[base + 2] - points[base]
        return here + (points[base + 3] - here) * (tick - points[base]) / span
    return here


@kernel
def profile_at_tick(profile, points, at, tick):
    """(profile, points, last index, tick) => value at the tick, index of the last point reached.

    Steps act from the rounded tick of their time on; a linear profile interpolates between the unrounded times.
    """
    while at + 1 < profile.count and points[profile.start + 2 * (at + 1)] <= tick:
        at += 1
    return _value(profile, points, at, tick), at
