"""One-dimensional searches for many problems at once: numpy arrays in, one answer for each element."""

import numpy as np


def bracketed_root(function, a, b, rounds=60, tolerance=1e-12):
    """function(x (n,)) => (n,), with a change of sign in each [a, b] (n,) => roots (n,); without one, the nearer end.

    Source: T. R. Chandrupatla, Adv. Eng. Software 28(3), 1997 (from memory): inverse quadratic steps, else halving.
    """
    scale = np.maximum(np.abs(b - a), 1e-300)
    f_a, f_b = function(a), function(b)
    closed = np.sign(f_a) == np.sign(f_b)
    if closed.any():
        a, f_a = np.where(closed & (np.abs(f_b) < np.abs(f_a)), b, a), np.where(closed, 0.0, f_a)
        b, f_b = np.where(closed, a, b), np.where(closed, 0.0, f_b)
    c, f_c = a, f_a
    t = np.full(a.shape, 0.5)
    for _ in range(rounds):
        x = a + t * (b - a)
        f_x = function(x)
        same = np.sign(f_x) == np.sign(f_a)
        c, f_c = np.where(same, a, b), np.where(same, f_a, f_b)
        b, f_b = np.where(same, b, a), np.where(same, f_b, f_a)
        a, f_a = x, f_x
        best = np.where(np.abs(f_a) < np.abs(f_b), a, b)
        if np.all((np.abs(b - a) <= tolerance * scale) | (f_a == 0.0) | (f_b == 0.0)):
            break
        with np.errstate(all="ignore"):
            xi = (a - b) / (c - b)
            phi = (f_a - f_b) / (f_c - f_b)
            quadratic = (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi)
            step = f_a / (f_b - f_a) * f_c / (f_b - f_c) + (c - a) / (b - a) * f_a / (f_c - f_a) * f_b / (f_c - f_b)
        least = tolerance * scale / np.maximum(np.abs(b - a), tolerance * scale)
        t = np.where(quadratic & np.isfinite(step), np.clip(step, least, 1.0 - least), 0.5)
        t = np.clip(t, 0.0, 1.0)
    return best
