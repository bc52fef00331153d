"""Set-up of a flux map: spline through the measured or computed points, inverted once on a flux grid."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simcore.plant import fluxmap as place
from simcore.plant.bicubic import evaluate, hermite_cells, node_slopes, spline_cells

MARGIN = 0.2  # of the table's current range, on every side: the grid of the inverse reaches that far
ACCURACY = 5e-5  # aim for the inverse inside the table, relative to the current range
REFINEMENTS = (1, 2, 3, 4)  # cells of the inverse for each cell of the table, tried in this order
LEAST_CELLS = 24  # along each flux axis inside the table
MOST_BUCKETS = 2048  # even intervals of an axis by which a kernel finds its cell


class MapError(ValueError):
    """A flux map that cannot be used; `.place_A` is (id, iq) where it fails, or None."""

    def __init__(self, message, place_A=None):
        super().__init__(message)
        self.place_A = place_A


@dataclass(frozen=True, kw_only=True, eq=False)
class MapTables:
    """A flux map ready for kernels (`table`) and for numpy (methods). Currents [A] peak, flux linkages [Wb] peak."""

    table: np.ndarray
    id_A: np.ndarray
    iq_A: np.ndarray
    cells: np.ndarray
    inverse_cells: tuple[int, int]
    inverse_error_relative: float

    @cached_property
    def range_A(self):
        """Widths of the table along (id, iq)."""
        return self.id_A[-1] - self.id_A[0], self.iq_A[-1] - self.iq_A[0]

    def fluxes(self, id_A, iq_A):
        """(currents (...)) => psi_d, psi_q (...) [Wb]; beyond the table linear with the edge's inductances."""
        jets = evaluate(self.id_A, self.iq_A, self.cells, id_A, iq_A)
        return jets[0, 0], jets[1, 0]

    def jets(self, id_A, iq_A):
        """(currents (...)) => psi_d, l_dd, l_dq, psi_q, l_qd, l_qq (...): order of the kernel `map_jets`."""
        (psi_d, l_dd, l_dq, _), (psi_q, l_qd, l_qq, _) = evaluate(self.id_A, self.iq_A, self.cells, id_A, iq_A)
        return psi_d, l_dd, l_dq, psi_q, l_qd, l_qq


def build_map_tables(id_A, iq_A, psi_d_Wb, psi_q_Wb, accuracy=ACCURACY):
    """Axes (n,), (m,) rising; flux linkages (n, m) [Wb] => MapTables. Raises MapError, with the place, where it
    cannot be inverted."""
    id_A, iq_A, psi_d, psi_q = (np.ascontiguousarray(a, dtype=float) for a in (id_A, iq_A, psi_d_Wb, psi_q_Wb))
    _check_form(id_A, iq_A, psi_d, psi_q)
    cells = spline_cells(id_A, iq_A, psi_d, psi_q)
    forward = _Forward(id_A, iq_A, cells)
    _check_invertible(forward)
    for refinement in REFINEMENTS:
        axes = _flux_axes(forward, refinement)
        inverse = _invert(forward, axes)
        error = _round_trip_error(forward, axes, inverse)
        if error <= accuracy:
            break
    return MapTables(
        table=_flatten(id_A, iq_A, cells, axes, inverse),
        id_A=id_A,
        iq_A=iq_A,
        cells=cells,
        inverse_cells=(axes[0].size - 1, axes[1].size - 1),
        inverse_error_relative=error,
    )


def _check_form(id_A, iq_A, psi_d, psi_q):
    for name, axis in (("id", id_A), ("iq", iq_A)):
        if axis.ndim != 1 or axis.size < 2 or not np.all(np.diff(axis) > 0):
            raise MapError(f"the {name} axis must be at least two rising values (A).")
    for name, psi in (("psi_d", psi_d), ("psi_q", psi_q)):
        if psi.shape != (id_A.size, iq_A.size):
            raise MapError(f"{name} needs a value for each of {id_A.size} x {iq_A.size} currents, has {psi.shape}.")
        if not np.all(np.isfinite(psi)):
            i, j = np.argwhere(~np.isfinite(psi))[0]
            raise MapError(f"{name} has no number at {_at(id_A[i], iq_A[j])}.", (id_A[i], iq_A[j]))


def _at(id_A, iq_A):
    return f"id = {id_A:.6g} A, iq = {iq_A:.6g} A"


class _Forward:
    """The spline and its Jacobian; flux in units of the table's flux range, current in units of its current range."""

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


def _check_invertible(forward):
    """Positive principal minors of the Jacobian on a rectangle make a map one to one.

    Source: D. Gale, H. Nikaido, Math. Annalen 159, 1965 (from memory). Checked: tests/plant/test_fluxmap.py.
    """
    d, q = forward.refined(3)
    _, ((l_dd, l_dq), (l_qd, l_qq)) = forward(d, q)
    scale = 1e-9
    for what, value, least in (
        ("psi_d must rise with id", l_dd, scale * np.median(np.abs(l_dd))),
        ("psi_q must rise with iq", l_qq, scale * np.median(np.abs(l_qq))),
        ("l_dd l_qq must exceed l_dq l_qd", l_dd * l_qq - l_dq * l_qd, scale * np.median(np.abs(l_dd * l_qq))),
    ):
        if not np.all(value > least):
            i, j = np.unravel_index(np.argmin(value), value.shape)
            raise MapError(
                f"the flux map cannot be inverted at {_at(d[i, j], q[i, j])}: {what} (incremental inductances "
                f"l_dd {1e6 * l_dd[i, j]:.4g}, l_dq {1e6 * l_dq[i, j]:.4g}, l_qd {1e6 * l_qd[i, j]:.4g}, "
                f"l_qq {1e6 * l_qq[i, j]:.4g} uH). Correct or smooth the points there.",
                (float(d[i, j]), float(q[i, j])),
            )


def _flux_axes(forward, refinement):
    """Nodes of the inverse along psi_d and psi_q: dense where the map saturates, so that cells are even in current."""
    psi, jacobian = forward(*forward.refined(1))
    wide = [np.linspace(x[0] - MARGIN * np.ptp(x), x[-1] + MARGIN * np.ptp(x), 57) for x in (forward.id_A, forward.iq_A)]
    psi_wide, _ = forward(*np.meshgrid(*wide, indexing="ij"))
    axes = []
    for axis, current in enumerate((forward.id_A, forward.iq_A)):
        low, high = psi[axis].min(), psi[axis].max()
        mean_slope = np.median(jacobian[axis, axis], axis=1 - axis)
        curve = np.concatenate([[0.0], np.cumsum(np.diff(current) * 0.5 * (mean_slope[1:] + mean_slope[:-1]))])
        curve = low + curve / curve[-1] * (high - low)
        cells = max(LEAST_CELLS, refinement * (current.size - 1))
        inner = np.interp(np.linspace(current[0], current[-1], cells + 1), current, curve)
        beyond = int(np.ceil(MARGIN * cells))
        below = np.linspace(min(psi_wide[axis].min(), low - 0.02 * (high - low)), low, beyond + 1)[:-1]
        above = np.linspace(high, max(psi_wide[axis].max(), high + 0.02 * (high - low)), beyond + 1)[1:]
        nodes = np.concatenate([below, inner, above])
        lattice = np.unique(np.rint((nodes - nodes[0]) / np.ptp(nodes) * MOST_BUCKETS))
        axes.append(nodes[0] + np.ptp(nodes) * lattice / MOST_BUCKETS)
    return axes


def _invert(forward, axes):
    """(flux axes (N,), (M,)) => nodal (value, slopes, cross) (2, 4, N, M) of the currents on their grid."""
    target = np.stack(np.meshgrid(*axes, indexing="ij"))
    currents, jacobian, solved = _newton(forward, target, _first_guess(forward, axes))
    determinant = jacobian[0, 0] * jacobian[1, 1] - jacobian[0, 1] * jacobian[1, 0]
    slopes = np.stack([[jacobian[1, 1], -jacobian[0, 1]], [-jacobian[1, 0], jacobian[0, 0]]]) / determinant
    if not solved.all():
        _fill(target, currents, slopes, solved)
    nodal = []
    for which in range(2):
        along_d, along_q = slopes[which]
        cross = 0.5 * (node_slopes(axes[1], along_d, 1) + node_slopes(axes[0], along_q, 0))
        nodal.append((currents[which], along_d, along_q, cross))
    return np.array(nodal)


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


def _newton(forward, target, currents, rounds=40):
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
        step = np.stack([d * r - b * s, a * s - c * r]) / (a * d - b * c)
        trial = x[:, todo] - damping[todo] * step
        psi_new, jacobian_new = forward(*trial)
        residual_new = (psi_new - target[:, todo]) / scale
        size_new = np.hypot(*residual_new)
        better = size_new < size[todo]
        at = todo[better]
        x[:, at], residual[:, at], size[at] = trial[:, better], residual_new[:, better], size_new[better]
        jacobian[:, :, at] = jacobian_new[:, :, better]
        damping[todo] = np.where(better, np.minimum(1.0, 2.0 * damping[todo]), 0.25 * damping[todo])
        todo = todo[damping[todo] > 1e-6]
    minors = (jacobian[0, 0] > 0) & (jacobian[1, 1] > 0)
    minors &= jacobian[0, 0] * jacobian[1, 1] > jacobian[0, 1] * jacobian[1, 0]
    solved = (size < 1e-10) & minors
    return x.reshape((2,) + shape), jacobian.reshape((2, 2) + shape), solved.reshape(shape)


def _fill(target, currents, slopes, solved):
    """Nodes far outside the table where its continuation folds: carried on linearly from the nearest solved node."""
    from_d, from_q = np.nonzero(solved)
    for i, j in np.argwhere(~solved):
        nearest = np.argmin((from_d - i) ** 2 + (from_q - j) ** 2)
        near = np.s_[..., from_d[nearest], from_q[nearest]]
        slopes[:, :, i, j] = slopes[near]
        currents[:, i, j] = currents[near] + slopes[near] @ (target[:, i, j] - target[near])


def _round_trip_error(forward, axes, inverse):
    """Largest error of the inverse at points of the table and between them, relative to the current range."""
    d, q = forward.refined(3)
    psi, _ = forward(d, q)
    back = evaluate(*axes, hermite_cells(*axes, *inverse), *psi)[:, 0]
    spans = np.ptp(forward.id_A), np.ptp(forward.iq_A)
    return float(max(np.abs(back[0] - d).max() / spans[0], np.abs(back[1] - q).max() / spans[1]))


def _flatten(id_A, iq_A, cells, axes, inverse):
    inverse_cells = hermite_cells(*axes, *inverse)
    header = np.zeros(place.HEADER)
    nodes = (id_A, iq_A, *axes)
    buckets = [_buckets(axis) for axis in nodes]
    blocks = [header, *(block.ravel() for block in buckets), cells.ravel(), inverse_cells.ravel()]
    starts = np.cumsum([0] + [block.size for block in blocks])
    for axis, at in enumerate((place.ID, place.IQ, place.PSI_D, place.PSI_Q)):
        first, last, count = nodes[axis][0], nodes[axis][-1], len(buckets[axis])
        header[int(at) : int(at) + 5] = first, last, count / (last - first), count - 1, starts[1 + axis]
    header[[place.FORWARD_AT, place.INVERSE_AT, place.LENGTH]] = starts[5:8]
    header[[place.FORWARD_CELLS_Q, place.INVERSE_CELLS_Q]] = iq_A.size - 1, axes[1].size - 1
    return np.concatenate(blocks)


def _buckets(nodes):
    """Even intervals of an axis (B, 3): start, 1/width and number of the cell each lies in."""
    offsets = nodes - nodes[0]
    lattice = np.rint(offsets / offsets[-1] * _bucket_count(offsets)).astype(int)
    if np.diff(lattice).min() < 1:
        i = int(np.argmin(np.diff(nodes)))
        raise MapError(f"axis values {nodes[i]:.6g} and {nodes[i + 1]:.6g} lie too close to each other for its range.")
    cell = np.repeat(np.arange(nodes.size - 1), np.diff(lattice))
    return np.stack([nodes[cell], 1.0 / np.diff(nodes)[cell], cell.astype(float)], axis=1)


def _bucket_count(offsets):
    """The least number of even buckets that have every node on an edge, else the most allowed.

    An edge is then missed by less than a bucket, where two cells of a twice differentiable spline are still alike.
    """
    for parts in range(1, 9):
        step = np.diff(offsets).min() / parts
        count = round(offsets[-1] / step)
        if count <= MOST_BUCKETS and np.allclose(offsets / step, np.rint(offsets / step), rtol=0, atol=1e-6):
            return count
    return MOST_BUCKETS
