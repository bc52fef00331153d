"""Stability edge: by which factor gains may grow until the closed loop swings, from its poles (no curve is read)."""

import math

import numpy as np
from scipy.optimize import brentq

LARGEST = 1e4
_STEPS = 160


def stability_factor(poles_at):
    """(function: factor on the gains => poles) => the factor at which a pole reaches the unit circle; None beyond 1e4.

    From a stable loop the first such factor above 1, from an unstable one the first below 1 (None: unstable at any).
    """

    def outside(log_factor):
        return float(np.max(np.abs(poles_at(math.exp(log_factor))))) - 1.0

    upwards = outside(0.0) < 0.0
    grid = np.linspace(0.0, math.log(LARGEST) * (1.0 if upwards else -1.0), _STEPS)
    before = outside(0.0)
    for low, high in zip(grid, grid[1:], strict=False):
        after = outside(high)
        if (before < 0.0) != (after < 0.0):
            return math.exp(brentq(outside, low, high, xtol=1e-12))
        before = after
    return None
