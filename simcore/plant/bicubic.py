"""Bicubic cells of two functions on one rectangular grid: the numpy half of the table lookups.

A cell holds 32 numbers: coefficient (k, l) of t_d^k t_q^l for the first function, beside it the same for the second
(index 2 (4 k + l) + which), with t_d, t_q in 0..1 inside the cell. simcore.plant.fluxmap reads the same cells.
"""

import numpy as np

CELL = 32

# Cubic Hermite: (value left, value right, slope left, slope right) => coefficients of 1, t, t^2, t^3.
_HERMITE = np.array([[1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0], [-3.0, 3.0, -2.0, -1.0], [2.0, -2.0, 1.0, 1.0]])


def node_slopes(nodes, values, axis=0):
    """(nodes (n,), values (..., n, ...)) => slopes at the nodes of the cubic spline through them, same shape as values.

    Ends: not-a-knot (three nodes: parabola, two: line), which keeps the accuracy of the inside up to the edge.
    Source: C. de Boor, A Practical Guide to Splines, 1978, ch. IV (from memory).
    Checked: tests/plant/test_fluxmap.py, against scipy.interpolate.CubicSpline.
    """
    x = np.asarray(nodes, dtype=float)
    y = np.moveaxis(np.asarray(values, dtype=float), axis, 0)
    steps = np.diff(x)
    secants = np.diff(y, axis=0) / steps.reshape((-1,) + (1,) * (y.ndim - 1))
    if len(x) == 2:
        slopes = np.concatenate([secants, secants])
    elif len(x) == 3:
        bend = (secants[1] - secants[0]) / (x[2] - x[0])
        slopes = np.stack([secants[0] + bend * (node - x[0] + node - x[1]) for node in x])
    else:
        slopes = np.linalg.solve(_spline_matrix(steps), _spline_right_side(steps, secants).reshape(len(x), -1))
        slopes = slopes.reshape(y.shape)
    return np.moveaxis(slopes, 0, axis)


def _spline_matrix(steps):
    n = len(steps) + 1
    matrix = np.zeros((n, n))
    inner = np.arange(1, n - 1)
    matrix[inner, inner - 1] = steps[1:]
    matrix[inner, inner] = 2.0 * (steps[:-1] + steps[1:])
    matrix[inner, inner + 1] = steps[:-1]
    matrix[0, :2] = steps[1], steps[0] + steps[1]
    matrix[-1, -2:] = steps[-1] + steps[-2], steps[-2]
    return matrix


def _spline_right_side(steps, secants):
    h = steps.reshape((-1,) + (1,) * (secants.ndim - 1))
    first, last = h[0] + h[1], h[-1] + h[-2]
    right = np.empty((len(steps) + 1,) + secants.shape[1:])
    right[1:-1] = 3.0 * (h[1:] * secants[:-1] + h[:-1] * secants[1:])
    right[0] = ((h[0] + 2.0 * first) * h[1] * secants[0] + h[0] ** 2 * secants[1]) / first
    right[-1] = (h[-1] ** 2 * secants[-2] + (2.0 * last + h[-1]) * h[-2] * secants[-1]) / last
    return right


def spline_cells(nodes_d, nodes_q, first, second):
    """Cells (n-1, m-1, 32) of the tensor spline through two functions given at nodes (n,) x (m,)."""
    slopes = []
    for values in (first, second):
        along_d = node_slopes(nodes_d, values, 0)
        slopes.append((values, along_d, node_slopes(nodes_q, values, 1), node_slopes(nodes_q, along_d, 1)))
    return hermite_cells(nodes_d, nodes_q, slopes[0], slopes[1])


def hermite_cells(nodes_d, nodes_q, first, second):
    """Cells from nodal (value, slope along d, slope along q, cross derivative), each (n, m), of two functions."""
    steps_d = np.diff(nodes_d)[:, None]
    steps_q = np.diff(nodes_q)[None, :]
    cells = np.empty((len(nodes_d) - 1, len(nodes_q) - 1, 16, 2))
    for which, (value, slope_d, slope_q, cross) in enumerate((first, second)):
        corner = np.empty(cells.shape[:2] + (4, 4))
        for i, j in ((0, 0), (0, 1), (1, 0), (1, 1)):
            at = np.s_[i : i + steps_d.size, j : j + steps_q.size]
            corner[:, :, i, j] = value[at]
            corner[:, :, 2 + i, j] = slope_d[at] * steps_d
            corner[:, :, i, 2 + j] = slope_q[at] * steps_q
            corner[:, :, 2 + i, 2 + j] = cross[at] * steps_d * steps_q
        cells[..., which] = (_HERMITE @ corner @ _HERMITE.T).reshape(cells.shape[:3])
    return cells.reshape(cells.shape[:2] + (CELL,))


def evaluate(nodes_d, nodes_q, cells, d, q):
    """Values and derivatives at points (...): array (2 functions, 4, ...) with rows value, d/dd, d/dq, d2/dd dq.

    Outside the nodes each axis continues linearly with the edge's slope (both axes: bilinearly), so that the whole
    is once continuously differentiable everywhere.
    """
    d, q = np.broadcast_arrays(np.asarray(d, dtype=float), np.asarray(q, dtype=float))
    inside_d = np.clip(d, nodes_d[0], nodes_d[-1])
    inside_q = np.clip(q, nodes_q[0], nodes_q[-1])
    i = np.clip(np.searchsorted(nodes_d, inside_d, side="right") - 1, 0, len(nodes_d) - 2)
    j = np.clip(np.searchsorted(nodes_q, inside_q, side="right") - 1, 0, len(nodes_q) - 2)
    step_d, step_q = np.diff(nodes_d)[i], np.diff(nodes_q)[j]
    power_d, rate_d = _powers((inside_d - nodes_d[i]) / step_d)
    power_q, rate_q = _powers((inside_q - nodes_q[j]) / step_q)
    cell = cells[i, j].reshape(i.shape + (4, 4, 2))
    over_q = np.einsum("...klw,...l->...kw", cell, power_q)
    slope_over_q = np.einsum("...klw,...l->...kw", cell, rate_q) / step_q[..., None, None]
    beyond_d, beyond_q = d - inside_d, q - inside_q
    out = np.empty((2, 4) + i.shape)
    for w in range(2):
        value = (over_q[..., w] * power_d).sum(-1)
        along_d = (over_q[..., w] * rate_d).sum(-1) / step_d
        along_q = (slope_over_q[..., w] * power_d).sum(-1)
        cross = (slope_over_q[..., w] * rate_d).sum(-1) / step_d
        out[w, 0] = value + along_d * beyond_d + along_q * beyond_q + cross * beyond_d * beyond_q
        out[w, 1] = along_d + cross * beyond_q
        out[w, 2] = along_q + cross * beyond_d
        out[w, 3] = cross
    return out


def _powers(t):
    one = np.ones_like(t)
    return np.stack([one, t, t * t, t**3], axis=-1), np.stack([0.0 * one, one, 2.0 * t, 3.0 * t * t], axis=-1)
