"""Set-up of the torque reference tables: least current for a torque, also on a flux limit, for lookup in the loop.

One flat float64 table. Header: LENGTH, cells along the torque axis, cells along the flux axis, greatest current [A], then
for each side (torque positive, negative) the greatest torque [Nm] and where its block starts. A block holds, for the
nodes of the torque axis: least flux [Wb], flux of the least current [Wb]; then (id, iq) [A] for torque node times flux node.

Torque axis: place x in 0..1 with T/Tmax = x^2/(x^2 + (1-x)^2). The square at both ends matches curves that start like a
square root there: at zero torque without a magnet, at Tmax always. Flux axis: place w in 0..1 with
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
    greatest, angle = points.greatest_torque(sides)
    if not np.all(greatest > 0.0):
        raise ValueError("the machine gives no torque: it needs magnet flux, or unlike inductances along d and q.")
    x = np.linspace(0.0, 1.0, torque_cells + 1)
    share = x**2 / (x**2 + (1.0 - x) ** 2)
    side = np.repeat(sides, torque_cells + 1)
    torque = np.repeat(greatest, torque_cells + 1) * np.tile(share, 2)
    ends = _curve_ends(points, torque, side, greatest, angle)
    shape = (2, torque_cells + 1, flux_cells + 1)
    grid = _fill_flux_axis(points, torque, side, ends, np.linspace(0.0, 1.0, flux_cells + 1) ** 2).reshape(shape + (2,))
    psi = [points.torque_and_flux(*end)[2].reshape(2, -1) for end in ends]
    psi[0] = np.maximum.accumulate(psi[0], axis=1)
    blocks = [np.concatenate([psi[0][k], psi[1][k], grid[k].ravel()]) for k in range(2)]
    header = np.array([0.0, torque_cells, flux_cells, max_current_A, greatest[0], HEADER, greatest[1], 0.0])
    header[SIDES + 3] = HEADER + blocks[0].size
    table = np.concatenate([header, *blocks])
    table[LENGTH] = table.size
    return table


def _curve_ends(points, torque, side, greatest, angle):
    """Least flux and least current (id, iq) at every torque node: two pairs of arrays."""
    id_least, iq_least = points.least_current(torque, side)
    zero, top = torque == 0.0, torque == np.where(side > 0, greatest[0], greatest[1])
    angle = np.where(side > 0, angle[0], angle[1])
    id_least = np.where(zero, 0.0, np.where(top, points.max_current_A * np.cos(angle), id_least))
    iq_least = np.where(zero, 0.0, np.where(top, side * points.max_current_A * np.sin(angle), iq_least))
    id_rim = np.minimum(points.circle_crossing(torque, side), id_least)
    id_low, iq_low = points.least_flux(torque, side, id_rim, id_least)
    id_low, iq_low = np.where(top, id_least, id_low), np.where(top, iq_least, iq_low)
    without_magnet = points.torque_and_flux(0.0, 0.0)[2] < 1e-9 * points.torque_and_flux(id_least, iq_least)[2].max()
    if without_magnet:
        id_low, iq_low = np.where(zero, 0.0, id_low), np.where(zero, 0.0, iq_low)
    first = zero & (side > 0)
    # Zero torque has one curve, not one for each side.
    id_low, iq_low = np.where(zero, id_low[first], id_low), np.where(zero, iq_low[first], iq_low)
    return (id_low, iq_low), (id_least, iq_least)


def _fill_flux_axis(points, torque, side, ends, share):
    """Currents (torque nodes, flux nodes, 2) on the flux limits between least flux and least current."""
    (id_low, iq_low), (id_least, iq_least) = ends
    psi_low, psi_least = (points.torque_and_flux(*end)[2] for end in ends)
    grid = np.empty((torque.size, share.size, 2))
    grid[:, 0], grid[:, -1] = np.stack([id_low, iq_low], -1), np.stack([id_least, iq_least], -1)
    open_rows = np.flatnonzero((psi_least - psi_low > 1e-9 * psi_least.max()) & (id_least > id_low))
    grid[:, 1:-1] = grid[:, -1:]
    inner = share[None, 1:-1]

    def spread(values):
        return np.repeat(values[open_rows], inner.size)

    target = psi_low[open_rows, None] + inner * (psi_least - psi_low)[open_rows, None]
    found = points.on_flux_limit(
        spread(torque), spread(side), target.ravel(), spread(id_low), spread(id_least), spread(iq_low), spread(iq_least)
    )
    grid[open_rows, 1:-1] = np.stack(found, -1).reshape(open_rows.size, inner.size, 2)
    return grid
