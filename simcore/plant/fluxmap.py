"""Flux maps in kernels: currents from flux linkages, flux linkages and incremental inductances from currents.

A map is one flat float64 table, made by simcore.plant.fluxmap_build; kernels get (table, offset), so that one table can
hold several maps. It starts with a header of HEADER numbers, whose places are named here; positions of blocks are
relative to offset. Cells are laid out as simcore.plant.bicubic says.
"""

from simcore.kernel import kernel

PSI_D_FIRST, PSI_Q_FIRST, PSI_D_PER_STEP, PSI_Q_PER_STEP = 0, 1, 2, 3
INVERSE_CELLS_D, INVERSE_CELLS_Q, INVERSE_AT = 4, 5, 6
ID_CELLS, IQ_CELLS, ID_NODES_AT, IQ_NODES_AT, FORWARD_AT = 7, 8, 9, 10, 11
ID_PER_STEP, IQ_PER_STEP, LENGTH = 12, 13, 14
HEADER = 16


@kernel
def cubic(table, at, t):
    """(4 coefficients two apart, 0..1) => value of the cubic."""
    return table[at] + t * (table[at + 2] + t * (table[at + 4] + t * table[at + 6]))


@kernel
def cubic_slope(table, at, t):
    """(4 coefficients two apart, 0..1) => derivative of the cubic along t."""
    return table[at + 2] + t * (2.0 * table[at + 4] + t * 3.0 * table[at + 6])


@kernel
def cell_value(table, at, t_d, t_q):
    """(cell, place in it) => value of the function whose coefficients start at `at`."""
    c0 = cubic(table, at, t_q)
    c1 = cubic(table, at + 8, t_q)
    c2 = cubic(table, at + 16, t_q)
    c3 = cubic(table, at + 24, t_q)
    return c0 + t_d * (c1 + t_d * (c2 + t_d * c3))


@kernel
def cell_jet(table, at, t_d, t_q):
    """(cell, place in it) => value, slope along t_d, slope along t_q, cross derivative."""
    c0 = cubic(table, at, t_q)
    c1 = cubic(table, at + 8, t_q)
    c2 = cubic(table, at + 16, t_q)
    c3 = cubic(table, at + 24, t_q)
    s0 = cubic_slope(table, at, t_q)
    s1 = cubic_slope(table, at + 8, t_q)
    s2 = cubic_slope(table, at + 16, t_q)
    s3 = cubic_slope(table, at + 24, t_q)
    value = c0 + t_d * (c1 + t_d * (c2 + t_d * c3))
    along_d = c1 + t_d * (2.0 * c2 + t_d * 3.0 * c3)
    along_q = s0 + t_d * (s1 + t_d * (s2 + t_d * s3))
    cross = s1 + t_d * (2.0 * s2 + t_d * 3.0 * s3)
    return value, along_d, along_q, cross


@kernel
def map_currents(table, offset, psi_d, psi_q):
    """(flux linkages [Wb]) => (id, iq) [A].  Inverse flux map, bicubic; beyond its grid it continues linearly.

    Source: own derivation (Hermite cells whose slopes are the exact inverse Jacobian). Checked: tests/plant/test_fluxmap.py.
    """
    x = (psi_d - table[offset + PSI_D_FIRST]) * table[offset + PSI_D_PER_STEP]
    y = (psi_q - table[offset + PSI_Q_FIRST]) * table[offset + PSI_Q_PER_STEP]
    cells_d = int(table[offset + INVERSE_CELLS_D])
    cells_q = int(table[offset + INVERSE_CELLS_Q])
    inside_x = min(max(x, 0.0), float(cells_d))
    inside_y = min(max(y, 0.0), float(cells_q))
    # The lower bound catches a NaN of a diverging run, which must not become an address.
    i = max(min(int(inside_x), cells_d - 1), 0)
    j = max(min(int(inside_y), cells_q - 1), 0)
    at = offset + int(table[offset + INVERSE_AT]) + 32 * (i * cells_q + j)
    if x == inside_x and y == inside_y:
        return cell_value(table, at, x - i, y - j), cell_value(table, at + 1, x - i, y - j)
    beyond_x = x - inside_x
    beyond_y = y - inside_y
    d, d_x, d_y, _ = cell_jet(table, at, inside_x - i, inside_y - j)
    q, q_x, q_y, _ = cell_jet(table, at + 1, inside_x - i, inside_y - j)
    return d + d_x * beyond_x + d_y * beyond_y, q + q_x * beyond_x + q_y * beyond_y


@kernel
def find_cell(table, nodes_at, cells, first_guess, x):
    """(nodes, value inside them) => index of the cell that holds it; the guess is exact for even spacing."""
    i = min(max(int(first_guess), 0), cells - 1)
    while i > 0 and x < table[nodes_at + i]:
        i -= 1
    while i < cells - 1 and x >= table[nodes_at + i + 1]:
        i += 1
    return i


@kernel
def map_jets(table, offset, id_A, iq_A):
    """(id, iq) [A] => psi_d, its slopes along id and iq, psi_q, its slopes along id and iq [Wb, H].

    Beyond the table each axis continues linearly with the edge's incremental inductances.
    """
    nodes_d = offset + int(table[offset + ID_NODES_AT])
    nodes_q = offset + int(table[offset + IQ_NODES_AT])
    cells_d = int(table[offset + ID_CELLS])
    cells_q = int(table[offset + IQ_CELLS])
    inside_d = min(max(id_A, table[nodes_d]), table[nodes_d + cells_d])
    inside_q = min(max(iq_A, table[nodes_q]), table[nodes_q + cells_q])
    i = find_cell(table, nodes_d, cells_d, (inside_d - table[nodes_d]) * table[offset + ID_PER_STEP], inside_d)
    j = find_cell(table, nodes_q, cells_q, (inside_q - table[nodes_q]) * table[offset + IQ_PER_STEP], inside_q)
    per_d = 1.0 / (table[nodes_d + i + 1] - table[nodes_d + i])
    per_q = 1.0 / (table[nodes_q + j + 1] - table[nodes_q + j])
    t_d = (inside_d - table[nodes_d + i]) * per_d
    t_q = (inside_q - table[nodes_q + j]) * per_q
    at = offset + int(table[offset + FORWARD_AT]) + 32 * (i * cells_q + j)
    psi_d, l_dd, l_dq, cross_d = cell_jet(table, at, t_d, t_q)
    psi_q, l_qd, l_qq, cross_q = cell_jet(table, at + 1, t_d, t_q)
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
    nodes_d = offset + int(table[offset + ID_NODES_AT])
    nodes_q = offset + int(table[offset + IQ_NODES_AT])
    first_d, last_d = table[nodes_d], table[nodes_d + int(table[offset + ID_CELLS])]
    first_q, last_q = table[nodes_q], table[nodes_q + int(table[offset + IQ_CELLS])]
    beyond_d = max(first_d - id_A, id_A - last_d) / (last_d - first_d)
    beyond_q = max(first_q - iq_A, iq_A - last_q) / (last_q - first_q)
    return max(0.0, max(beyond_d, beyond_q))
