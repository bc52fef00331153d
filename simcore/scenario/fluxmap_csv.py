"""Flux maps measured or computed, from CSV: grid found, faults told, maps that cannot be inverted refused."""

import csv
import io
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from simcore.scenario import fluxmap_checks
from simcore.scenario.errors import FileProblem, existing_text, near, one_of, printable, show

DEFAULT_COLUMNS = {"id_A": "id_A", "iq_A": "iq_A", "psi_d_Wb": "psi_d_Wb", "psi_q_Wb": "psi_q_Wb"}
SMALLEST_GRID = 4
_SAME_POINT = 1e-6
_LARGEST_CURRENT_A = 1e6


@dataclass(frozen=True, eq=False)
class MapData:
    """A flux map on a rectangular grid.

    id_A (n,) and iq_A (m,) increasing [A, peak]; psi_d_Wb and psi_q_Wb (n, m) [Wb]; findings: what is odd about it.
    """

    id_A: np.ndarray
    iq_A: np.ndarray
    psi_d_Wb: np.ndarray
    psi_q_Wb: np.ndarray
    findings: tuple[str, ...] = ()

    def __eq__(self, other):
        if not isinstance(other, MapData):
            return NotImplemented
        names = ("id_A", "iq_A", "psi_d_Wb", "psi_q_Wb")
        return all(np.array_equal(getattr(self, n), getattr(other, n)) for n in names)

    __hash__ = None

    @cached_property
    def typical_inductances_H(self):
        """Medians of the incremental inductances along d and q; single cells of a measured map may be far off."""
        l_dd, _, _, l_qq = fluxmap_checks.incremental(self.id_A, self.iq_A, self.psi_d_Wb, self.psi_q_Wb)
        return float(np.median(l_dd)), float(np.median(l_qq))

    @cached_property
    def tables(self):
        """The map inverted and ready for kernels (simcore.plant.fluxmap_build.MapTables), made once."""
        from simcore.plant.fluxmap_build import build_map_tables

        return build_map_tables(self.id_A, self.iq_A, self.psi_d_Wb, self.psi_q_Wb)


def read_flux_map(path, columns=None) -> MapData:
    """Read a flux map file.

    path: CSV with a header line, one row a point in any order; comma, semicolon or tab. columns: names of the file's
    columns for id_A, iq_A, psi_d_Wb, psi_q_Wb. Raises FileProblem (rule and remedy) with the line or the place.
    """
    names = {**DEFAULT_COLUMNS, **(columns or {})}
    points = _read_points(existing_text(path), names)
    id_A, iq_A, psi_d, psi_q = _grid(points)
    _refuse_slips(psi_d, psi_q)
    id_A, iq_A, psi_d, psi_q, mirrored = _mirror(id_A, iq_A, psi_d, psi_q)
    fluxmap_checks.refuse_not_invertible(id_A, iq_A, psi_d, psi_q)
    findings = mirrored + fluxmap_checks.findings(id_A, iq_A, psi_d, psi_q)
    for array in (id_A, iq_A, psi_d, psi_q):
        array.setflags(write=False)
    return MapData(id_A, iq_A, psi_d, psi_q, tuple(findings))


def _read_points(text, names):
    """Array (points, 5): id, iq, psi_d, psi_q, line number."""
    lines = [(k, line) for k, line in enumerate(text.splitlines(), 1) if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        raise FileProblem("the file is empty", f"Write a header line {','.join(names.values())} and one row a point")
    header_text = lines[0][1]
    delimiter = next((d for d in ("\t", ";") if d in header_text and "," not in header_text), ",")
    try:
        rows = list(csv.reader(io.StringIO("\n".join(line for _, line in lines)), delimiter=delimiter, strict=False))
    except csv.Error as error:
        raise FileProblem(f"not CSV: {error}", "Write one point a line, separated by commas") from None
    if len(rows) != len(lines):
        raise FileProblem("a quoted cell runs over several lines", "Remove the quotes") from None
    header = [cell.strip() for cell in rows[0]]
    where = {key: _column(header, names, key) for key in names}
    points = np.empty((len(rows) - 1, 5))
    for k, row in enumerate(rows[1:]):
        line = lines[k + 1][0]
        for column, (key, at) in enumerate(where.items()):
            cell = row[at].strip() if at < len(row) else ""
            try:
                value = float(cell)
            except ValueError:
                value = None
            if value is None or not np.isfinite(value) or "_" in cell:
                where_at = f'line {line}, column "{printable(names[key])}"'
                rule = f"{where_at}: {printable(cell, quote=True)} is not a finite number"
                remedy = "Write decimal points, and semicolons between cells" if "," in cell else "Mend or remove the row"
                raise FileProblem(rule, remedy)
            points[k, column] = value
        points[k, 4] = line
    return points


def _column(header, names, key):
    name = names[key]
    hits = [k for k, title in enumerate(header) if title == name]
    if len(hits) == 1:
        return hits[0]
    if len(hits) > 1:
        raise FileProblem(f'the column "{printable(name)}" stands {len(hits)} times in the header', "Rename the others")
    listed = ", ".join(f'"{printable(h)}"' for h in header[:12])
    free = [title for title in header if title and title not in names.values()]
    close = near(name, free, count=1, cutoff=0.5)
    example = close[0] if close else (free or header)[0]
    rule = f'no column "{printable(name)}"; the columns are {listed}'
    ask = f"Did you mean {one_of(close)}? " if close else ""
    raise FileProblem(rule, f'{ask}Name it in machine.flux_map: columns = {{ {key} = "{printable(example)}" }}')


def _axis(values):
    """Distinct values of an axis, increasing; neighbours closer than a millionth of the span count as one."""
    ordered = np.unique(values)
    span = ordered[-1] - ordered[0] if len(ordered) else 0.0
    starts = np.concatenate([[True], np.diff(ordered) > _SAME_POINT * span]) if len(ordered) else ordered.astype(bool)
    return ordered[starts]


def _grid(points):
    if len(points) and np.abs(points[:, :2]).max() > _LARGEST_CURRENT_A:
        raise FileProblem(f"currents above {_LARGEST_CURRENT_A:g} A: a slip of the unit", "Give A, phase peak")
    id_A, iq_A = (_axis(points[:, k]) for k in (0, 1))
    n, m = len(id_A), len(iq_A)
    if n < SMALLEST_GRID or m < SMALLEST_GRID:
        rule = f"{n} values of id and {m} of iq; a map needs at least {SMALLEST_GRID} of each"
        raise FileProblem(rule, "Measure more points")
    if n * m > 4 * len(points) + 64:
        rule = f"{len(points)} points with {n} different values of id and {m} of iq do not lie on a rectangular grid"
        raise FileProblem(rule, "Interpolate the points onto a grid of currents first")
    row = np.searchsorted(id_A, points[:, 0] + _SAME_POINT * (id_A[-1] - id_A[0]) / 2, side="right") - 1
    col = np.searchsorted(iq_A, points[:, 1] + _SAME_POINT * (iq_A[-1] - iq_A[0]) / 2, side="right") - 1
    line_at = np.zeros((n, m))
    psi_d, psi_q = np.empty((n, m)), np.empty((n, m))
    for k in range(len(points)):
        r, c = row[k], col[k]
        if line_at[r, c]:
            rule = (
                f"lines {line_at[r, c]:.0f} and {points[k, 4]:.0f} hold the same point "
                f"(id = {points[k, 0]:g} A, iq = {points[k, 1]:g} A)"
            )
            raise FileProblem(rule, "Keep one of them")
        line_at[r, c] = points[k, 4]
        psi_d[r, c], psi_q[r, c] = points[k, 2], points[k, 3]
    gaps = np.argwhere(line_at == 0)
    if len(gaps):
        listed = ", ".join(f"({id_A[r]:g}, {iq_A[c]:g})" for r, c in gaps[:6]) + (", ..." if len(gaps) > 6 else "")
        rule = f"the grid of {n} x {m} currents has {len(gaps)} gaps, at (id, iq) = {listed} A"
        raise FileProblem(rule, "Add these points, or leave out whole rows and columns of the grid")
    return id_A, iq_A, psi_d, psi_q


def _refuse_slips(psi_d, psi_q):
    largest = max(np.abs(psi_d).max(), np.abs(psi_q).max())
    if largest > 10.0:
        rule = f"the largest flux linkage is {show(float(f'{largest:.4g}'))} Wb, above 10 Wb: a slip of the unit"
        raise FileProblem(rule, "Give Wb (mWb divided by 1000)")
    if largest < 1e-6:
        rule = f"the largest flux linkage is {show(float(f'{largest:.4g}'))} Wb, below 1e-6 Wb: a slip of the unit"
        raise FileProblem(rule, "Give Wb")


def _mirror(id_A, iq_A, psi_d, psi_q):
    """A map of iq >= 0 (or <= 0) alone is continued by symmetry: psi_d even, psi_q odd in iq."""
    ends = np.abs([iq_A[0], iq_A[-1]])
    if ends.min() > 1e-9 * ends.max():
        return id_A, iq_A, psi_d, psi_q, []
    if iq_A[-1] < -iq_A[0]:
        id_A, iq_A, psi_d, psi_q = id_A, -iq_A[::-1], psi_d[:, ::-1], -psi_q[:, ::-1]
    worst = np.abs(psi_q[:, 0]).max()
    if worst > 2e-3 * max(np.abs(psi_d).max(), np.abs(psi_q).max()):
        told = f"only one sign of iq, and psi_q at iq = 0 is up to {worst * 1e3:.3g} mWb: not mirrored, continued linearly"
        return id_A, iq_A, psi_d, psi_q, [told]
    psi_q = psi_q.copy()
    psi_q[:, 0] = 0.0
    iq_A = np.concatenate([-iq_A[:0:-1], iq_A])
    psi_d = np.concatenate([psi_d[:, :0:-1], psi_d], axis=1)
    psi_q = np.concatenate([-psi_q[:, :0:-1], psi_q], axis=1)
    return id_A, iq_A, psi_d, psi_q, ["only one sign of iq: continued by symmetry (psi_d even, psi_q odd in iq)"]
