"""Current references for a torque, in the loop: least current, flux limit, current limit, maximum torque per volt.

Looked up in a table of controllers.reference_tables, then corrected along the torque's gradient, so that the torque is
the believed machine's own and not the interpolation's.
"""

import math

import numpy as np

from simcore.kernel import kernel
from simcore.plant.fluxmap import map_jets

FREE, CURRENT, VOLTAGE, VOLTAGE_AND_CURRENT, MTPV = 0, 1, 2, 3, 4

_TORQUE_CELLS, _FLUX_CELLS, _MAX_CURRENT, _SIDES = (np.uint64(i) for i in (1, 2, 3, 4))
_U0, _U1, _U2, _U3 = (np.uint64(i) for i in range(4))


@kernel
def flux_limit(voltage_V, resistance_ohm, current_A, omega_e, torque_Nm, pole_pairs):
    """(greatest voltage, current, electrical speed, torque) => greatest flux linkage [Wb] in steady state.

    Exact where the current is: |v|^2 = R^2 i^2 + omega^2 psi^2 + 2 R omega T/(1.5 p). Large at standstill, 0 where the
    voltage does not even carry the current. Checked: tests/controllers/test_reference_tables.py.
    """
    left = voltage_V * voltage_V - (resistance_ohm * current_A) ** 2
    left -= 2.0 * resistance_ohm * omega_e * torque_Nm / (1.5 * pole_pairs)
    return math.sqrt(max(left, 0.0) / max(omega_e * omega_e, 1e-6))


@kernel
def believed_fluxes(use_map, map_table, map_offset, psi_m, l_d, l_q, id_A, iq_A):
    """(constants or map, currents) => psi_d, l_dd, l_dq, psi_q, l_qd, l_qq [Wb, H] of the believed machine."""
    if use_map:
        return map_jets(map_table, map_offset, id_A, iq_A)
    return psi_m + l_d * id_A, l_d, 0.0, l_q * iq_A, 0.0, l_q


@kernel
def torque_place(share):
    """(torque in shares of the greatest, 0..1) => place on the torque axis, 0..1."""
    return 0.5 * (1.0 + math.sqrt(share) - math.sqrt(max(1.0 - share, 0.0)))


@kernel
def torque_share(x):
    """(place on the torque axis, 0..1) => torque in shares of the greatest: the inverse of torque_place."""
    y = 2.0 * x - 1.0
    root = 0.5 * (y + math.sqrt(2.0 - y * y))
    return root * root


@kernel
def least_flux_place(table, row, flux_Wb, cells):
    """(start of the least fluxes, flux limit) => place on the torque axis, in cells, where that flux is the least."""
    if not flux_Wb > table[row]:
        return 0.0
    low, high = _U0, cells
    while high - low > _U1:
        middle = (low + high) // _U2
        if table[row + middle] <= flux_Wb:
            low = middle
        else:
            high = middle
    width = table[row + high] - table[row + low]
    return float(low) + min((flux_Wb - table[row + low]) / max(width, 1e-300), 1.0)


@kernel
def node_left(place, cells):
    """(place in cells) => number of the node on its left, one that has a node on its right."""
    return min(np.uint64(max(int(place), 0)), cells - _U1)


@kernel
def grid_currents(table, points, torque_cells, flux_cells, x, w):
    """(start of the grid, places on both axes in cells) => id, iq [A], bilinear."""
    i = node_left(x, torque_cells)
    j = node_left(w, flux_cells)
    fx = x - float(i)
    fw = w - float(j)
    row = _U2 * (flux_cells + _U1)
    at = points + i * row + _U2 * j
    up = at + row
    c00 = (1.0 - fx) * (1.0 - fw)
    c01 = (1.0 - fx) * fw
    c10 = fx * (1.0 - fw)
    c11 = fx * fw
    id_A = (c00 * table[at] + c01 * table[at + _U2]) + (c10 * table[up] + c11 * table[up + _U2])
    iq_A = (c00 * table[at + _U1] + c01 * table[at + _U3]) + (c10 * table[up + _U1] + c11 * table[up + _U3])
    return id_A, iq_A


@kernel
def greatest_torque(table, offset):
    """(table, its start) => greatest torque at the current limit [Nm], of both directions the greater."""
    start = np.uint64(offset)
    return max(table[start + _SIDES], table[start + _SIDES + _U2])


@kernel
def current_references(
    table, offset, use_map, map_table, map_offset, pole_pairs, psi_m, l_d, l_q, torque_request_Nm, flux_limit_Wb
):
    """(torque asked, greatest flux) => id, iq [A], torque granted [Nm], what binds (0 none, 1 current, 2 voltage,
    3 voltage and current, 4 maximum torque per volt). Continuous in both; table as build_reference_tables lays it out.

    Source: Morimoto, Takeda, Hirasa, Taniguchi, IEEE Trans. Ind. Appl. 26(5), 1990 (from memory).
    Checked: tests/controllers/test_reference_tables.py, tests/reference/test_operating_points.py.
    """
    start = np.uint64(offset)
    torque_cells = np.uint64(int(table[start + _TORQUE_CELLS]))
    flux_cells = np.uint64(int(table[start + _FLUX_CELLS]))
    max_current = table[start + _MAX_CURRENT]
    sign = 1.0 if torque_request_Nm >= 0.0 else -1.0
    side = start + (_SIDES if sign > 0.0 else _SIDES + _U2)
    greatest = table[side]
    row = start + np.uint64(int(table[side + _U1]))
    top = row + torque_cells + _U1
    share = abs(torque_request_Nm) / greatest
    binding = FREE
    if share > 1.0:
        share = 1.0
        binding = CURRENT
    x = torque_place(share) * float(torque_cells)
    i = node_left(x, torque_cells)
    fraction = x - float(i)
    least = table[row + i] + fraction * (table[row + i + _U1] - table[row + i])
    wanted = table[top + i] + fraction * (table[top + i + _U1] - table[top + i])
    w = 1.0
    cut = flux_limit_Wb < least
    if cut:
        x = least_flux_place(table, row, flux_limit_Wb, torque_cells)
        share = torque_share(x / float(torque_cells))
        w = 0.0
    elif flux_limit_Wb < wanted:
        w = math.sqrt((flux_limit_Wb - least) / (wanted - least))
        binding = VOLTAGE
    granted = sign * share * greatest
    id_A, iq_A = grid_currents(table, top + torque_cells + _U1, torque_cells, flux_cells, x, w * float(flux_cells))
    id_A, iq_A, found = correct_torque(
        use_map, map_table, map_offset, pole_pairs, psi_m, l_d, l_q, granted, 2e-3 * greatest, 0.1 * max_current,
        id_A, iq_A,
    )  # fmt: skip
    current = math.sqrt(id_A * id_A + iq_A * iq_A)
    if cut:
        binding = VOLTAGE_AND_CURRENT if current > 0.9995 * max_current else MTPV
    if current > max_current or found == 0:
        shrink = min(max_current / max(current, 1e-300), 1.0)
        id_A *= shrink
        iq_A *= shrink
        psi_d, _, _, psi_q, _, _ = believed_fluxes(use_map, map_table, map_offset, psi_m, l_d, l_q, id_A, iq_A)
        granted = 1.5 * pole_pairs * (psi_d * iq_A - psi_q * id_A)
    return id_A, iq_A, granted, binding


@kernel
def correct_torque(use_map, map_table, map_offset, pole_pairs, psi_m, l_d, l_q, torque_Nm, enough_Nm, far_A, id_A, iq_A):
    """(torque wanted, currents near it) => currents with that torque, 1 if found; Newton along the torque's gradient.

    One step squares the relative error; more are taken only where a rough map made the lookup worse than `enough_Nm`.
    """
    factor = 1.5 * pole_pairs
    found = 0
    for _ in range(5):
        psi_d, l_dd, l_dq, psi_q, l_qd, l_qq = believed_fluxes(
            use_map, map_table, map_offset, psi_m, l_d, l_q, id_A, iq_A
        )
        error = torque_Nm - factor * (psi_d * iq_A - psi_q * id_A)
        along_d = factor * (l_dd * iq_A - psi_q - l_qd * id_A)
        along_q = factor * (psi_d + l_dq * iq_A - l_qq * id_A)
        square = along_d * along_d + along_q * along_q
        step = error / max(square, 1e-300)
        if step * step * square > far_A * far_A:
            step = math.copysign(far_A, error) / math.sqrt(square)
        id_A += step * along_d
        iq_A += step * along_q
        if abs(error) < enough_Nm:
            found = 1
            break
    return id_A, iq_A, found
