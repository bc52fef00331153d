"""Set-up of the torque reference tables: least current for a torque, also on a flux limit, for lookup in the loop.

One flat float64 table. Header: LENGTH, cells of the torque axis, cells of the flux axis, greatest current [A], then for
each side (torque positive, negative) the greatest torque [Nm] and where its block starts. A block holds, for the nodes
of the torque axis: least flux [Wb], flux of the least current [Wb]; then (id, iq) [A], torque node times flux node.

Torque axis: place x in 0..1 with x = (1 + sqrt(t) - sqrt(1 - t))/2, t = T/Tmax. The roots match curves that start like
roots themselves: at Tmax always, at zero torque without a magnet. Flux axis: place w in 0..1 with
w^2 = (psi - least)/(psi of least current - least), because the torque curve touches the least flux like a parabola.
"""

import numpy as np

from controllers.operating_points import OperatingPoints

LENGTH, TORQUE_CELLS, FLUX_CELLS, MAX_CURRENT, SIDES = 0, 1, 2, 3, 4
HEADER = 8


def build_reference_tables(flux, pole_pairs, max_current_A, torque_cells=48, flux_cells=32):
    """(object with jets(id, iq), pole pairs, greatest current [A]) => flat table (float64) for controllers.references.

    Checked: tests/controllers/test_reference_tables.py, tests/reference/test_operating_points.py.
    """
    points = OperatingPoints(flux=flux, pole_pairs=pole_pairs, max_current_A=max_current_A)
    sides = np.array([1.0, -1.0])
    greatest, *most = points.greatest_torque(sides)
    if not np.all(greatest > 0.0):
        raise ValueError("the machine gives no torque: it needs magnet flux, or unlike inductances along d and q.")
    x = np.linspace(0.0, 1.0, torque_cells + 1)
    share = 0.25 * (2.0 * x - 1.0 + np.sqrt(2.0 - (2.0 * x - 1.0) ** 2)) ** 2
    share[0], share[-1] = 0.0, 1.0
    side = np.repeat(sides, x.size)
    torque = np.repeat(greatest, x.size) * np.tile(share, 2)
    low, least = _curve_ends(points, torque, side, share, most)
    psi_low, psi_least = points.at(*low).psi, points.at(*least).psi
    grid = _fill_flux_axis(points, torque, side, low, least, np.linspace(0.0, 1.0, flux_cells + 1))
    blocks = []
    for mine in (side > 0.0, side < 0.0):
        rising = np.maximum.accumulate(psi_low[mine])
        blocks.append(np.concatenate([rising, np.maximum(psi_least[mine], rising), grid[mine].ravel()]))
    header = np.array([0.0, torque_cells, flux_cells, max_current_A, greatest[0], HEADER, greatest[1], 0.0])
    header[SIDES + 3] = HEADER + blocks[0].size
    table = np.concatenate([header, *blocks])
    table[LENGTH] = table.size
    return table


def _curve_ends(points, torque, side, share, most):
    """(id, iq) of least flux and of least current at every torque node (n,)."""
    zero, top = np.tile(share == 0.0, 2), np.tile(share == 1.0, 2)
    most = [np.repeat(current, share.size) for current in most]
    least = points.least_current(torque, side)
    least = [np.where(zero, 0.0, np.where(top, end, inner)) for end, inner in zip(most, least, strict=True)]
    low = points.least_flux(torque, side, points.circle_crossing(torque, side), least)
    low = [np.where(top, end, inner) for end, inner in zip(most, low, strict=True)]
    # Zero torque has one curve, not one for each side; without a magnet it is a point.
    with_magnet = points.at(0.0, 0.0).psi > 1e-9 * points.at(*most).psi.max()
    low = [np.where(zero, inner[0] if with_magnet else 0.0, inner) for inner in low]
    return low, least


def _fill_flux_axis(points, torque, side, low, least, w):
    """Currents (torque nodes, flux nodes, 2) on flux limits between least flux (w = 0) and least current (w = 1)."""
    psi_low, psi_least = points.at(*low).psi, points.at(*least).psi
    grid = np.empty((torque.size, w.size, 2))
    grid[:] = np.stack(least, -1)[:, None]
    grid[:, 0] = np.stack(low, -1)
    rows = np.flatnonzero((psi_least - psi_low > 1e-9 * psi_least.max()) & (least[0] > low[0]))
    torque, side, psi_low, psi_least = torque[rows], side[rows], psi_low[rows], psi_least[rows]
    low, least = [end[rows] for end in low], [end[rows] for end in least]
    for k in range(w.size - 2, 0, -1):
        # From least current downwards, each column starting where the two before it point.
        first = 2.0 * grid[rows, k + 1] - grid[rows, k + 2] if k < w.size - 2 else grid[rows, k + 1]
        psi = psi_low + w[k] ** 2 * (psi_least - psi_low)
        id_A, iq_A, good = points.refine(torque, side, psi, first[:, 0], first[:, 1])
        bad = ~(good & (id_A >= low[0]) & (id_A <= least[0]))
        if bad.any():
            ends = [[end[bad] for end in pair] for pair in (low, least)]
            id_A[bad], iq_A[bad] = points.on_flux_limit(torque[bad], side[bad], psi[bad], *ends)
        grid[rows, k] = np.stack([id_A, iq_A], -1)
    return grid
