"""Set-up of a flux map: spline through the measured or computed points, inverted once on a flux grid."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simcore.plant import fluxmap as place
from simcore.plant.bicubic import evaluate, hermite_cells, node_slopes, spline_cells

MARGIN = 0.2  # of the table's range, on every side: the grid of the inverse reaches that far
ACCURACY = 2e-5  # aim for the inverse inside the table, relative to the current range
GRID_SIZES = (48, 96, 144, 192)  # cells along each flux axis, tried in this order


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
    inverse_cells_each_axis: int
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
    for size in GRID_SIZES:
        axes, inverse = _invert(forward, size)
        error = _round_trip_error(forward, axes, inverse)
        if error <= accuracy:
            break
    return MapTables(
        table=_flatten(id_A, iq_A, cells, axes, inverse),
        id_A=id_A,
        iq_A=iq_A,
        cells=cells,
        inverse_cells_each_axis=size,
        inverse_error_relative=error,
    )


def _check_form(id_A, iq_A, psi_d, psi_q):
    for name, axis in (("id", id_A), ("iq", iq_A)):
        if axis.ndim != 1 or axis.size < 2 or not np.all(np.diff(axis) > 0):
            raise MapError(f"the {name} axis must be at least two rising values (A).")
    for name, psi in (("psi_d", psi_d), ("psi_q", psi_q)):
        if psi.shape != (id_A.size, iq_A.size):
            raise MapError(f"{name} must have one value for each of {id_A.size} x {iq_A.size} currents, has {psi.shape}.")
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
        axes = [np.interp(np.arange((len(x) - 1) * times + 1) / times, np.arange(len(x)), x) for x in (self.id_A, self.iq_A)]
        return np.meshgrid(*axes, indexing="ij")


def _check_invertible(forward):
    """Positive principal minors of the Jacobian on a rectangle make a map one to one (Gale, Nikaido 1965; from memory)."""
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


def _invert(forward, size):
    """Flux axes (2, size+1) and nodal (value, slopes, cross) (2, 4, size+1, size+1) of the currents on their grid."""
    psi, _ = forward(*forward.refined(1))
    low, high = psi.min(axis=(1, 2)), psi.max(axis=(1, 2))
    margin = MARGIN * (high - low)
    axes = np.linspace(low - margin, high + margin, size + 1, axis=1)
    target = np.stack(np.meshgrid(*axes, indexing="ij"))
    currents, jacobian, solved = _newton(forward, target, _first_guess(forward, axes))
    determinant = jacobian[0, 0] * jacobian[1, 1] - jacobian[0, 1] * jacobian[1, 0]
    slopes = np.stack([[jacobian[1, 1], -jacobian[0, 1]], [-jacobian[1, 0], jacobian[0, 0]]]) / determinant
    if not solved.all():
        _fill(forward, target, currents, slopes, solved)
    nodal = []
    for which in range(2):
        along_d, along_q = slopes[which]
        cross = 0.5 * (node_slopes(axes[1], along_d, 1) + node_slopes(axes[0], along_q, 0))
        nodal.append((currents[which], along_d, along_q, cross))
    return axes, np.array(nodal)


def _first_guess(forward, axes):
    """Currents (2, N, M) on the flux grid from the nearest samples of the map, found along rows of equal iq."""
    d, q = forward.refined(1)
    span_d, span_q = np.ptp(forward.id_A), np.ptp(forward.iq_A)
    # Iterating id along psi_d and iq along psi_q separately is a contraction for weak cross saturation: a start only.
    rows = np.linspace(forward.iq_A[0] - span_q, forward.iq_A[-1] + span_q, 3 * forward.iq_A.size)
    columns = np.linspace(forward.id_A[0] - span_d, forward.id_A[-1] + span_d, 3 * forward.id_A.size)
    mid_d, mid_q = forward.id_A.mean(), forward.iq_A.mean()
    psi_q_of_iq = forward(np.full_like(rows, mid_d), rows)[0][1]
    psi_d_of_id = forward(columns, np.full_like(columns, mid_q))[0][0]
    start_d = np.interp(axes[0], psi_d_of_id, columns)
    start_q = np.interp(axes[1], psi_q_of_iq, rows)
    return np.stack(np.meshgrid(start_d, start_q, indexing="ij"))


def _newton(forward, target, currents, rounds=40):
    """Damped Newton for all nodes at once => currents, Jacobian (2, 2, ...), solved (...)."""
    shape = target.shape[1:]
    target = target.reshape(2, -1)
    x = currents.reshape(2, -1).copy()
    jacobian = np.empty((2, 2, x.shape[1]))
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


def _fill(forward, target, currents, slopes, solved):
    """Nodes far outside the table where its continuation folds: carried on linearly from the nearest solved node."""
    from_d, from_q = np.nonzero(solved)
    for i, j in np.argwhere(~solved):
        nearest = np.argmin((from_d - i) ** 2 + (from_q - j) ** 2)
        at = from_d[nearest], from_q[nearest]
        slopes[:, :, i, j] = slopes[(slice(None), slice(None)) + at]
        currents[:, i, j] = currents[(slice(None),) + at] + slopes[:, :, i, j] @ (target[:, i, j] - target[(slice(None),) + at])


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
    blocks = [header, id_A, iq_A, cells.ravel(), inverse_cells.ravel()]
    starts = np.cumsum([0] + [block.size for block in blocks])
    header[[place.ID_NODES_AT, place.IQ_NODES_AT, place.FORWARD_AT, place.INVERSE_AT]] = starts[1:5]
    header[place.LENGTH] = starts[5]
    header[[place.PSI_D_FIRST, place.PSI_Q_FIRST]] = axes[:, 0]
    header[[place.PSI_D_PER_STEP, place.PSI_Q_PER_STEP]] = (axes.shape[1] - 1) / np.ptp(axes, axis=1)
    header[[place.INVERSE_CELLS_D, place.INVERSE_CELLS_Q]] = axes.shape[1] - 1
    header[[place.ID_CELLS, place.IQ_CELLS]] = id_A.size - 1, iq_A.size - 1
    header[place.ID_PER_STEP] = (id_A.size - 1) / np.ptp(id_A)
    header[place.IQ_PER_STEP] = (iq_A.size - 1) / np.ptp(iq_A)
    return np.concatenate(blocks)
