"""Draws of a tolerance study: points of the unit cube, and the values that distributions make of them."""

import numpy as np

from simcore.scenario.distribution import TAIL
from simcore.scenario.tolerance import whole_where_wanted

METHODS = ("sobol", "random")


def unit_points(method, dimensions, count, seed):
    """("sobol" or "random", d, n, seed) => array (n, d) in (0, 1); the first rows are the same for any larger n.

    Sobol points with Owen's scrambling: I. M. Sobol 1967; A. B. Owen 1998 (both from memory), by scipy.stats.qmc.
    """
    if method == "random":
        return np.random.default_rng(seed).random((count, dimensions))
    from scipy.stats import qmc

    # A power of two is balanced and asked for without a warning; its first part is what any other number gets.
    whole = 1 << max(count - 1, 1).bit_length()
    return qmc.Sobol(dimensions, scramble=True, rng=np.random.default_rng(seed)).random(whole)[:count]


def draw_values(tolerances, shares):
    """(Tolerance (d,), array (n, d) of shares) => n lists of d values, whole numbers where a key takes such."""
    shares = np.clip(shares, TAIL, 1.0 - TAIL)
    return [
        [whole_where_wanted(one.key, one.distribution.at(float(share))) for one, share in zip(tolerances, row, strict=True)]
        for row in shares
    ]
