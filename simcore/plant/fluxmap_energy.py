"""How far a flux map is from conservative: the magnetic energy between two states along two different paths."""

from typing import NamedTuple

import numpy as np

_GAUSS_AT, _GAUSS_WEIGHT = np.polynomial.legendre.leggauss(4)


class EnergyOnPaths(NamedTuple):
    """Energy taken up [J] with id moved first, with iq moved first, and the first less the second."""

    d_first_J: float
    q_first_J: float
    difference_J: float


def coenergy_difference(tables, from_A, to_A):
    """(MapTables, (id, iq) at the start, (id, iq) at the end) => EnergyOnPaths.

    Energy is the integral of 1.5 (id dpsi_d + iq dpsi_q) [J]; a reciprocal map gives the same on both paths, a measured
    one does not. Checked: tests/plant/test_fluxmap.py.
    """
    (d0, q0), (d1, q1) = from_A, to_A
    d_first = _along_d(tables, d0, d1, q0) + _along_q(tables, q0, q1, d1)
    q_first = _along_q(tables, q0, q1, d0) + _along_d(tables, d0, d1, q1)
    return EnergyOnPaths(d_first, q_first, d_first - q_first)


def _along_d(tables, start, end, iq_A):
    at, weight = _quadrature(tables.id_A, start, end)
    _, l_dd, _, _, l_qd, _ = tables.jets(at, np.full_like(at, iq_A))
    return float(np.sum(weight * 1.5 * (at * l_dd + iq_A * l_qd)))


def _along_q(tables, start, end, id_A):
    at, weight = _quadrature(tables.iq_A, start, end)
    _, _, l_dq, _, _, l_qq = tables.jets(np.full_like(at, id_A), at)
    return float(np.sum(weight * 1.5 * (id_A * l_dq + at * l_qq)))


def _quadrature(nodes, start, end):
    """Gauss points and signed weights cell by cell: exact for a spline."""
    low, high = min(start, end), max(start, end)
    edges = np.concatenate([[low], nodes[(nodes > low) & (nodes < high)], [high]])
    half = 0.5 * np.diff(edges)[:, None]
    at = (edges[:-1, None] + half) + half * _GAUSS_AT
    return at.ravel(), (half * _GAUSS_WEIGHT).ravel() * (1.0 if end >= start else -1.0)
