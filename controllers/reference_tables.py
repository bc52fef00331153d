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
from controllers.torque_curves import TorqueCurves

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
    least = _least_currents(points, torque, side, share, most)
    curves = TorqueCurves(points, side * torque, least)
    grid = _fill_flux_axis(points, curves, least, np.linspace(0.0, 1.0, flux_cells + 1))
    blocks = []
    for mine in (side > 0.0, side < 0.0):
        psi_low = np.maximum.accumulate(points.at(*grid[mine, 0].T).psi)
        psi_least = np.maximum(points.at(*grid[mine, -1].T).psi, psi_low)
        blocks.append(np.concatenate([psi_low, psi_least, grid[mine].ravel()]))
    header = np.array([0.0, torque_cells, flux_cells, max_current_A, greatest[0], HEADER, greatest[1], 0.0])
    header[SIDES + 3] = HEADER + blocks[0].size
    table = np.concatenate([header, *blocks])
    table[LENGTH] = table.size
    return table


def _least_currents(points, torque, side, share, most):
    """id, iq (n,) of least current at the torque nodes; zero torque and the greatest one are known already."""
    zero, top = np.tile(share == 0.0, 2), np.tile(share == 1.0, 2)
    least = points.least_current(torque, side)
    ends = (np.repeat(current, share.size) for current in most)
    return [np.where(zero, 0.0, np.where(top, end, inner)) for end, inner in zip(ends, least, strict=True)]


def _fill_flux_axis(points, curves, least, w):
    """Currents (torque nodes, flux nodes, 2) on flux limits between least flux (w = 0) and least current (w = 1)."""
    psi_low, psi_least = points.at(*curves.low).psi, points.at(*least).psi
    grid = np.empty((psi_low.size, w.size, 2))
    grid[:] = np.stack(least, -1)[:, None]
    grid[:, 0] = np.stack(curves.low, -1)
    rows = np.flatnonzero(psi_least - psi_low > 1e-9 * psi_least.max())
    inner = w[1:-1] ** 2
    psi = psi_low[rows, None] + inner * (psi_least - psi_low)[rows, None]
    found = curves.at_flux(np.repeat(rows, inner.size), psi.ravel())
    grid[rows, 1:-1] = np.stack(found, -1).reshape(rows.size, inner.size, 2)
    # Zero torque has one curve, not one for each side.
    grid[psi_low.size // 2] = grid[0]
    return grid
