"""One-dimensional root search for many problems at once, by scipy."""

import numpy as np


def bracketed_root(function, a, b, tolerance=1e-12):
    """function(x (n,)) => (n,), with a change of sign in each [a, b] (n,) => roots (n,); without one, the nearer end.

    scipy drops elements that have converged; `function` knows only whole arrays, so the rest is filled up for it.
    """
    from scipy.optimize.elementwise import find_root

    middle = 0.5 * (a + b)

    def part(x, where):
        where = where.astype(int)
        whole = middle.copy()
        whole[where] = x
        return function(whole)[where]

    with np.errstate(all="ignore"):
        found = find_root(
            part, (a, b), args=(np.arange(a.size),), tolerances={"xatol": tolerance * float(np.max(np.abs(b - a)))}
        )
    nearer = np.where(np.abs(function(a)) <= np.abs(function(b)), a, b)
    return np.where(np.isfinite(found.x), found.x, nearer)
