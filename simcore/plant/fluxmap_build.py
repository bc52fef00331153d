"""Set-up of a flux map: spline through the measured or computed points, inverted once on a flux grid."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simcore.plant import fluxmap as place
from simcore.plant.bicubic import evaluate, spline_cells
from simcore.plant.fluxmap_inverse import MOST_BUCKETS, Forward, flux_axes, invert, round_trip_error

ACCURACY = 1e-4  # aim for the inverse inside the table, relative to the current range
WORST_ACCURACY = 1e-2  # a map whose finest inverse is worse than this is refused
REFINEMENTS = (1, 2, 4)  # cells of the inverse for each cell of the table, tried in this order


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

    @property
    def greatest_id_A(self):
        """The table's end towards the magnet."""
        return float(self.id_A[-1])

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
    forward = Forward(id_A, iq_A, cells)
    _check_invertible(forward)
    coarser = None
    for refinement in REFINEMENTS:
        axes = flux_axes(forward, refinement)
        inverse = invert(forward, axes, coarser)
        coarser = axes, inverse
        error, worst_A = round_trip_error(forward, axes, inverse)
        if error <= accuracy:
            break
    if error > WORST_ACCURACY:
        raise MapError(
            f"the flux map is too steep to be inverted at {_at(*worst_A)}: currents come back with an error of "
            f"{100.0 * error:.2g} % of the range. Give more points there, or leave out what is beyond use.",
            worst_A,
        )
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


def _flatten(id_A, iq_A, cells, axes, inverse):
    header = np.zeros(place.HEADER)
    nodes = (id_A, iq_A, *axes)
    buckets = [_buckets(axis) for axis in nodes]
    blocks = [header, *(block.ravel() for block in buckets), cells.ravel(), inverse.ravel()]
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
