"""Flux maps in kernels: currents from flux linkages, flux linkages and incremental inductances from currents.

A map is one flat float64 table, made by simcore.plant.fluxmap_build; kernels get (table, offset), so that one table can
hold several maps. It starts with HEADER numbers, whose places are named here; positions of blocks are relative to
offset. Cells are laid out as simcore.plant.bicubic says. Places are unsigned: numba then leaves out the test for
negative indices, which halves the time of a lookup.
"""

import numpy as np

from simcore.kernel import kernel

FORWARD_AT, FORWARD_CELLS_Q, INVERSE_AT, INVERSE_CELLS_Q, LENGTH = (np.uint64(i) for i in range(5))
# Five numbers for each axis: first value, last value, buckets per unit, last bucket, where its buckets lie.
ID, IQ, PSI_D, PSI_Q = (np.uint64(i) for i in (5, 10, 15, 20))
HEADER = 25

U1, U2, U3, U4, U6, U8, U16, U24, U32 = (np.uint64(i) for i in (1, 2, 3, 4, 6, 8, 16, 24, 32))


@kernel
def cubic(table, at, t, t2):
    """(four coefficients two apart, t, t^2) => value of the cubic."""
    return (table[at] + t * table[at + U2]) + t2 * (table[at + U4] + t * table[at + U6])


@kernel
def cubic_slope(table, at, t, t2):
    """(four coefficients two apart, t, t^2) => derivative of the cubic along t."""
    return (table[at + U2] + 2.0 * t * table[at + U4]) + 3.0 * t2 * table[at + U6]


@kernel
def cell_value(table, at, t_d, t_q):
    """(start of a function's coefficients, place in the cell) => value."""
    q2 = t_q * t_q
    c0 = cubic(table, at, t_q, q2)
    c1 = cubic(table, at + U8, t_q, q2)
    c2 = cubic(table, at + U16, t_q, q2)
    c3 = cubic(table, at + U24, t_q, q2)
    return (c0 + t_d * c1) + t_d * t_d * (c2 + t_d * c3)


@kernel
def cell_jet(table, at, t_d, t_q):
    """(start of a function's coefficients, place in the cell) => value, slopes along t_d and t_q, cross derivative."""
    d2 = t_d * t_d
    q2 = t_q * t_q
    c0 = cubic(table, at, t_q, q2)
    c1 = cubic(table, at + U8, t_q, q2)
    c2 = cubic(table, at + U16, t_q, q2)
    c3 = cubic(table, at + U24, t_q, q2)
    s0 = cubic_slope(table, at, t_q, q2)
    s1 = cubic_slope(table, at + U8, t_q, q2)
    s2 = cubic_slope(table, at + U16, t_q, q2)
    s3 = cubic_slope(table, at + U24, t_q, q2)
    value = (c0 + t_d * c1) + d2 * (c2 + t_d * c3)
    along_d = (c1 + 2.0 * t_d * c2) + 3.0 * d2 * c3
    along_q = (s0 + t_d * s1) + d2 * (s2 + t_d * s3)
    cross = (s1 + 2.0 * t_d * s2) + 3.0 * d2 * s3
    return value, along_d, along_q, cross


@kernel
def find_cell(table, axis, start, x):
    """(places of an axis and of the map, value) => cell number, value moved inside, 1/width, place in the cell 0..1."""
    first = table[axis]
    inside = min(max(x, first), table[axis + U1])
    bucket = int(min((inside - first) * table[axis + U2], table[axis + U3]))
    # A NaN of a diverging run must not become an address: hence the lower bound.
    at = start + np.uint64(int(table[axis + U4])) + U3 * np.uint64(max(bucket, 0))
    per_width = table[at + U1]
    return np.uint64(int(table[at + U2])), inside, per_width, (inside - table[at]) * per_width


@kernel
def map_currents(table, offset, psi_d, psi_q):
    """(flux linkages [Wb]) => (id, iq) [A].  Inverse flux map, bicubic; beyond its grid it continues linearly.

    Source: derived here (Hermite cells, slopes from the exact inverse Jacobian). Checked: tests/plant/test_fluxmap.py.
    """
    start = np.uint64(offset)
    i, inside_d, per_d, t_d = find_cell(table, start + PSI_D, start, psi_d)
    j, inside_q, per_q, t_q = find_cell(table, start + PSI_Q, start, psi_q)
    cell = i * np.uint64(int(table[start + INVERSE_CELLS_Q])) + j
    at = start + np.uint64(int(table[start + INVERSE_AT])) + U32 * cell
    if psi_d == inside_d and psi_q == inside_q:
        return cell_value(table, at, t_d, t_q), cell_value(table, at + U1, t_d, t_q)
    beyond_d = (psi_d - inside_d) * per_d
    beyond_q = (psi_q - inside_q) * per_q
    id_A, id_d, id_q, _ = cell_jet(table, at, t_d, t_q)
    iq_A, iq_d, iq_q, _ = cell_jet(table, at + U1, t_d, t_q)
    return id_A + id_d * beyond_d + id_q * beyond_q, iq_A + iq_d * beyond_d + iq_q * beyond_q


@kernel
def map_jets(table, offset, id_A, iq_A):
    """(id, iq) [A] => psi_d, its slopes along id and iq, psi_q, its slopes along id and iq [Wb, H].

    Beyond the table each axis continues linearly with the edge's incremental inductances.
    """
    start = np.uint64(offset)
    i, inside_d, per_d, t_d = find_cell(table, start + ID, start, id_A)
    j, inside_q, per_q, t_q = find_cell(table, start + IQ, start, iq_A)
    cell = i * np.uint64(int(table[start + FORWARD_CELLS_Q])) + j
    at = start + np.uint64(int(table[start + FORWARD_AT])) + U32 * cell
    psi_d, l_dd, l_dq, cross_d = cell_jet(table, at, t_d, t_q)
    psi_q, l_qd, l_qq, cross_q = cell_jet(table, at + U1, t_d, t_q)
    beyond_d = (id_A - inside_d) * per_d
    beyond_q = (iq_A - inside_q) * per_q
    return (
        psi_d + l_dd * beyond_d + l_dq * beyond_q + cross_d * beyond_d * beyond_q,
        (l_dd + cross_d * beyond_q) * per_d,
        (l_dq + cross_d * beyond_d) * per_q,
        psi_q + l_qd * beyond_d + l_qq * beyond_q + cross_q * beyond_d * beyond_q,
        (l_qd + cross_q * beyond_q) * per_d,
        (l_qq + cross_q * beyond_d) * per_q,
    )


@kernel
def map_fluxes(table, offset, id_A, iq_A):
    """(id, iq) [A] => (psi_d, psi_q) [Wb].  Forward flux map."""
    psi_d, _, _, psi_q, _, _ = map_jets(table, offset, id_A, iq_A)
    return psi_d, psi_q


@kernel
def map_inductances(table, offset, id_A, iq_A):
    """(id, iq) [A] => (l_dd, l_dq, l_qd, l_qq) [H].  Incremental inductances: l_dq is d psi_d / d iq."""
    _, l_dd, l_dq, _, l_qd, l_qq = map_jets(table, offset, id_A, iq_A)
    return l_dd, l_dq, l_qd, l_qq


@kernel
def map_distance(table, offset, id_A, iq_A):
    """(id, iq) [A] => distance outside the table relative to its range (the worse axis); 0 inside."""
    start = np.uint64(offset)
    first_d, last_d = table[start + ID], table[start + ID + U1]
    first_q, last_q = table[start + IQ], table[start + IQ + U1]
    beyond_d = max(first_d - id_A, id_A - last_d) / (last_d - first_d)
    beyond_q = max(first_q - iq_A, iq_A - last_q) / (last_q - first_q)
    return max(0.0, max(beyond_d, beyond_q))
