"""Inverse of a flux map on a flux grid: how fine the grid is, Newton for all its nodes at once, what lies far outside."""

import numpy as np

from simcore.plant.bicubic import evaluate, hermite_cells, node_slopes

MARGIN = 0.2  # of the table's current range, on every side: the grid of the inverse reaches that far
LEAST_CELLS = 24  # for which the table's range is cut at least
LEVELS = 256  # of flux by which the grid's steps are chosen
MOST_CELLS = 256  # of the inverse along each axis
MOST_BUCKETS = 2048  # even intervals of an axis by which a kernel finds its cell


class Forward:
    """(currents (...)) => flux linkages (2, ...) and their Jacobian (2, 2, ...): the spline with its continuation."""

    def __init__(self, id_A, iq_A, cells):
        self.id_A, self.iq_A, self.cells = id_A, iq_A, cells

    def __call__(self, d, q):
        jets = evaluate(self.id_A, self.iq_A, self.cells, d, q)
        return jets[:, 0], jets[:, 1:3].transpose(0, 1, *range(2, jets.ndim))

    def refined(self, times):
        """Grid points of the table with every interval cut into `times`: two arrays (N, M)."""
        axes = []
        for nodes in (self.id_A, self.iq_A):
            count = (nodes.size - 1) * times + 1
            axes.append(np.interp(np.arange(count) / times, np.arange(nodes.size), nodes))
        return np.meshgrid(*axes, indexing="ij")


def flux_axes(forward, refinement):
    """Nodes of the inverse along psi_d and psi_q, so close that no step is wider in current than the table's mean step
    over `refinement`, wherever on the other axis it is taken."""
    psi, jacobian = forward(*forward.refined(2))
    wide = [np.linspace(x[0] - MARGIN * np.ptp(x), x[-1] + MARGIN * np.ptp(x), 57) for x in (forward.id_A, forward.iq_A)]
    psi_wide, _ = forward(*np.meshgrid(*wide, indexing="ij"))
    axes = []
    for axis, current in enumerate((forward.id_A, forward.iq_A)):
        low, high = psi_wide[axis].min(), psi_wide[axis].max()
        edges = np.linspace(low, high, LEVELS + 1)
        level = np.clip(((psi[axis] - low) / (high - low) * LEVELS).astype(int), 0, LEVELS - 1)
        steepest = np.zeros(LEVELS)
        np.maximum.at(steepest, level.ravel(), 1.0 / jacobian[axis, axis].ravel())
        filled = np.flatnonzero(steepest)
        # Between and beyond the levels that occur, the nearest one's value; then the greater of neighbours.
        steepest = np.interp(np.arange(LEVELS), filled, steepest[filled])
        padded = np.pad(steepest, 1, mode="edge")
        steepest = np.maximum(np.maximum(padded[:-2], padded[2:]), steepest)
        ampere = np.concatenate([[0.0], np.cumsum(steepest)]) * (high - low) / LEVELS
        step = np.ptp(current) / max(LEAST_CELLS, current.size - 1) / refinement
        cells = min(int(np.ceil(ampere[-1] / step)), MOST_CELLS)
        nodes = np.interp(np.linspace(0.0, ampere[-1], cells + 1), ampere, edges)
        lattice = np.unique(np.rint((nodes - low) / (high - low) * MOST_BUCKETS))
        axes.append(low + (high - low) * lattice / MOST_BUCKETS)
    return axes


def invert(forward, axes, coarser=None):
    """(flux axes (N,), (M,), axes and cells of a coarser inverse) => cells (N-1, M-1, 32) of the currents."""
    target = np.stack(np.meshgrid(*axes, indexing="ij"))
    if coarser is None:
        start = _first_guess(forward, axes)
    else:
        start = evaluate(*coarser[0], coarser[1], *target)[:, 0]
    currents, jacobian, solved = _newton(forward, target, start)
    determinant = jacobian[0, 0] * jacobian[1, 1] - jacobian[0, 1] * jacobian[1, 0]
    slopes = np.stack([[jacobian[1, 1], -jacobian[0, 1]], [-jacobian[1, 0], jacobian[0, 0]]]) / determinant
    if not solved.all():
        _fill(target, currents, slopes, solved)
    nodal = []
    for which in range(2):
        along_d, along_q = slopes[which]
        cross = 0.5 * (node_slopes(axes[1], along_d, 1) + node_slopes(axes[0], along_q, 0))
        nodal.append((currents[which], along_d, along_q, cross))
    return hermite_cells(*axes, *nodal)


def _first_guess(forward, axes):
    """Currents (2, N, M) on the flux grid as if the axes were independent: a start for Newton only."""
    mid = forward.id_A.mean(), forward.iq_A.mean()
    starts = []
    for axis, current in enumerate((forward.id_A, forward.iq_A)):
        reach = np.linspace(current[0] - np.ptp(current), current[-1] + np.ptp(current), 4 * current.size)
        at = [np.full_like(reach, mid[0]), np.full_like(reach, mid[1])]
        at[axis] = reach
        starts.append(np.interp(axes[axis], forward(*at)[0][axis], reach))
    return np.stack(np.meshgrid(*starts, indexing="ij"))


def _newton(forward, target, currents, rounds=25):
    """Damped Newton for all nodes at once => currents, Jacobian (2, 2, ...), solved (...)."""
    shape = target.shape[1:]
    target = target.reshape(2, -1)
    x = currents.reshape(2, -1).copy()
    scale = np.ptp(target, axis=1)[:, None]
    todo = np.arange(x.shape[1])
    psi, jacobian = forward(*x)
    residual = (psi - target) / scale
    size = np.hypot(*residual)
    damping = np.ones(x.shape[1])
    for _ in range(rounds):
        todo = todo[size[todo] > 1e-13]
        if todo.size == 0:
            break
        (a, b), (c, d) = jacobian[:, :, todo]
        r, s = (residual * scale)[:, todo]
        with np.errstate(all="ignore"):
            step = np.stack([d * r - b * s, a * s - c * r]) / (a * d - b * c)
        trial = x[:, todo] - damping[todo] * np.nan_to_num(step)
        psi_new, jacobian_new = forward(*trial)
        residual_new = (psi_new - target[:, todo]) / scale
        size_new = np.hypot(*residual_new)
        better = size_new < size[todo]
        at = todo[better]
        x[:, at], residual[:, at], size[at] = trial[:, better], residual_new[:, better], size_new[better]
        jacobian[:, :, at] = jacobian_new[:, :, better]
        damping[todo] = np.where(better, np.minimum(1.0, 2.0 * damping[todo]), 0.25 * damping[todo])
        todo = todo[damping[todo] > 1e-3]
    minors = (jacobian[0, 0] > 0) & (jacobian[1, 1] > 0)
    minors &= jacobian[0, 0] * jacobian[1, 1] > jacobian[0, 1] * jacobian[1, 0]
    solved = (size < 1e-10) & minors
    return x.reshape((2,) + shape), jacobian.reshape((2, 2) + shape), solved.reshape(shape)


def _fill(target, currents, slopes, solved):
    """Nodes far outside the table where its continuation folds: carried on linearly from the nearest solved node."""
    for axis in (1, 0):
        nearest = _nearest_along(solved, axis)
        todo = np.nonzero(~solved & (nearest >= 0))
        source = (todo[0], nearest[todo]) if axis == 1 else (nearest[todo], todo[1])
        there, here = np.s_[:, *source], np.s_[:, *todo]
        slopes[:, :, *todo] = slopes[:, :, *source]
        currents[here] = currents[there] + np.einsum("ijn,jn->in", slopes[:, :, *source], target[here] - target[there])
        solved = solved | (nearest >= 0)


def _nearest_along(solved, axis):
    """Index along the axis of the nearest solved node, -1 where the line holds none."""
    n = solved.shape[axis]
    index = np.arange(n).reshape((n, 1) if axis == 0 else (1, n))
    before = np.maximum.accumulate(np.where(solved, index, -4 * n), axis)
    after = np.flip(np.minimum.accumulate(np.flip(np.where(solved, index, 4 * n), axis), axis), axis)
    nearest = np.where(index - before <= after - index, before, after)
    return np.where(np.any(solved, axis=axis, keepdims=True), nearest, -1)


def round_trip_error(forward, axes, inverse):
    """Largest error of the inverse at points of the table and between them, relative to the range; (id, iq) where."""
    d, q = forward.refined(3)
    psi, _ = forward(d, q)
    back = evaluate(*axes, inverse, *psi)[:, 0]
    spans = np.ptp(forward.id_A), np.ptp(forward.iq_A)
    error = np.maximum(np.abs(back[0] - d) / spans[0], np.abs(back[1] - q) / spans[1])
    worst = np.unravel_index(np.argmax(error), error.shape)
    return float(error[worst]), (float(d[worst]), float(q[worst]))
