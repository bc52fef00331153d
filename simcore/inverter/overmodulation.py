"""From the linear limit to six-step: the requested vector is reshaped so that its fundamental is the one asked for.

First range (to sqrt(3) ln 3/pi Vdc = 0.9514 of six-step): the circle is blown up and clipped to the hexagon, angle kept.
Second range (to 2/pi Vdc): the vector waits at each corner for a hold angle and moves along the edges in between.
Source: J. Holtz, W. Lotzkat, A. Khambadkone, IEEE Trans. Power Electron. 8(4), 1993 (from memory); the gains are integrated
here.  Checked: tests/reference/test_overmodulation.py.
"""

import math

import numpy as np

from simcore.kernel import kernel
from simcore.rotation import SQRT3

SECTOR = math.pi / 3.0
HALF_SECTOR = math.pi / 6.0
LINEAR_SHARE = math.pi / (2.0 * SQRT3)  # linear limit over the six-step fundamental
CLIPPED_SHARE = 0.5 * SQRT3 * math.log(3.0)
NODES = 257


def _clipped_share(radius):
    """(radius over the linear limit, 1 .. 2/sqrt(3)) => fundamental over six-step of the clipped circle, closed form."""
    crossing = np.arccos(np.minimum(1.0, 1.0 / radius))
    mean = 6.0 / math.pi * (np.log(np.tan(0.25 * math.pi + 0.5 * crossing)) + radius * (HALF_SECTOR - crossing))
    return LINEAR_SHARE * mean


def _held_share(hold):
    """(hold angles, 0 .. pi/6) => fundamental over six-step, by Gauss's rule on the moving part, to some 1e-15."""
    moving = HALF_SECTOR - np.asarray(hold)
    at, weight = np.polynomial.legendre.leggauss(12)
    x = 0.5 + 0.5 * at
    bent = np.cos(moving[..., None] * x) + np.tan(HALF_SECTOR * x) * np.sin(moving[..., None] * x)
    held = 2.0 / SQRT3 * np.sin(hold) + moving * (bent @ (0.5 * weight))
    return LINEAR_SHARE * 6.0 / math.pi * held


def _inverse(function, low, high, shares):
    """Argument at which a rising function reaches each share."""
    grid = low + (high - low) * np.sin(np.linspace(0.0, 0.5 * math.pi, 2001)) if function is _held_share else (
        high - (high - low) * np.linspace(1.0, 0.0, 2001) ** 2
    )  # fmt: skip
    return np.interp(shares, function(grid), grid)


# Node i stands at a share of LINEAR + (1 - LINEAR)(1 - (1 - i/n)^2): denser where the hold angle is steep.
_PLACE = 1.0 - (1.0 - np.arange(NODES) / (NODES - 1.0)) ** 2
_SHARES = LINEAR_SHARE + (1.0 - LINEAR_SHARE) * _PLACE
RADIUS = _inverse(_clipped_share, 1.0, 2.0 / SQRT3, np.minimum(_SHARES, CLIPPED_SHARE))
HOLD = _inverse(_held_share, 0.0, HALF_SECTOR, np.maximum(_SHARES, CLIPPED_SHARE))


@kernel
def reshape(v_alpha, v_beta, link_V):
    """(requested vector [V], link voltage) => vector inside the hexagon whose fundamental is the request; 2/pi Vdc at most."""
    size = math.sqrt(v_alpha * v_alpha + v_beta * v_beta)
    linear = link_V / SQRT3
    if size <= linear:
        return v_alpha, v_beta
    share = min(size * math.pi / (2.0 * link_V), 1.0)
    place = (1.0 - math.sqrt(max(0.0, 1.0 - (share - LINEAR_SHARE) / (1.0 - LINEAR_SHARE)))) * (NODES - 1.0)
    node = min(int(place), NODES - 2)
    part = place - node
    angle = math.atan2(v_beta, v_alpha)
    # Angle from the middle of the nearest edge; the edges' middles lie at 30 degrees and every 60 from there.
    edge = (math.floor(angle / SECTOR) + 0.5) * SECTOR
    x = angle - edge
    if share <= CLIPPED_SHARE:
        radius = linear * (RADIUS[node] + part * (RADIUS[node + 1] - RADIUS[node]))
        radius = min(radius, linear / math.cos(x))
    else:
        hold = HOLD[node] + part * (HOLD[node + 1] - HOLD[node])
        moving = HALF_SECTOR - hold
        if abs(x) >= moving:
            x = math.copysign(HALF_SECTOR, x)
        else:
            x = x * HALF_SECTOR / moving
        radius = linear / math.cos(x)
    return radius * math.cos(edge + x), radius * math.sin(edge + x)
