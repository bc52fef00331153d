"""Losses of a tick with averaged legs: the edges that it stands for, and conduction from edge to edge with ripple.

The mean current of a tick runs straight between its ends; at every edge the ripple comes on top.  What these pieces lose beyond
the integrated leg laws, which know the mean current alone, is drawn from the link with the losses of the edges.
Checked: tests/reference/test_inverter_losses.py, tests/reference/test_averaged_against_switched.py.
"""

import math

from simcore.inverter.losses import (
    averaged_edge,
    capacitor_energy,
    carried,
    in_the_dead_time,
    phases,
    ripple_volt_seconds,
    shared,
    square,
)
from simcore.kernel import kernel
from simcore.plant.detail import terminal_currents
from simcore.plant.machine import incremental_inductances
from simcore.plant.records import STIFF
from simcore.rotation import turn


@kernel
def averaged_losses(p, s, table):
    """(sums of a tick with averaged legs) => energies of its edges, its conduction at the devices, the link capacitor's."""
    power, ps, plant, drive, tick_s = p.power, s.power, s.plant, s.drive, p.clock.tick_s
    id_1, iq_1 = terminal_currents(p.machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    turned = p.machine.pole_pairs * plant.theta - ps.angle
    sine, cosine = math.sin(ps.angle), math.cos(ps.angle)
    before = phases(ps.id_A, ps.iq_A, sine, cosine)
    sine_1, cosine_1 = turn(sine, cosine, turned)
    after = phases(id_1, iq_1, sine_1, cosine_1)
    if power.capacitor_ohm > 0.0 and p.link.kind != STIFF:
        ps.capacitor_J += capacitor_energy(
            power.capacitor_ohm, drive.u, 0.5 * (before[0] + after[0]), 0.5 * (before[1] + after[1]),
            0.5 * (before[2] + after[2]), s.sums.supply_C / tick_s, tick_s,
        )  # fmt: skip
    if drive.ideal and power.settings == 0:
        return
    _currents_at_edges(p, s, table, id_1, iq_1, turned, sine, cosine, before, after)
    conduction_J = _edges(p, s, table, before)
    if not drive.ideal:
        lost_J = s.sums.link_J - s.sums.terminal_J - drive.loss_W * tick_s
        ps.ripple_J += conduction_J + _between_edges(p, s, before, after) - lost_J


@kernel
def _currents_at_edges(p, s, table, id_1, iq_1, turned, sine, cosine, before, after):
    """(mean currents at both ends of the tick) => where each leg has its edge, and all phase currents there with ripple."""
    ps, u, odd = s.power, s.drive.u, s.tick & 1
    l_dd, l_dq, l_qd, l_qq = incremental_inductances(p.machine, table, 0.5 * (ps.id_A + id_1), 0.5 * (ps.iq_A + iq_1))
    determinant = l_dd * l_qq - l_dq * l_qd
    for leg in range(3):
        share = 1.0 - u[leg] if odd else u[leg]
        ps.edge_at[leg] = share
        if share <= 0.0:
            ps.edge_A[0, leg], ps.edge_A[1, leg], ps.edge_A[2, leg] = before
            continue
        if share >= 1.0:
            ps.edge_A[0, leg], ps.edge_A[1, leg], ps.edge_A[2, leg] = after
            continue
        sine_at, cosine_at = turn(sine, cosine, share * turned)
        alpha, beta = ripple_volt_seconds(u, share, odd, s.plant.link_V, p.clock.tick_s)
        ahead_d, ahead_q = cosine_at * alpha + sine_at * beta, -sine_at * alpha + cosine_at * beta
        id_A = ps.id_A + share * (id_1 - ps.id_A) + (l_qq * ahead_d - l_dq * ahead_q) / determinant
        iq_A = ps.iq_A + share * (iq_1 - ps.iq_A) + (l_dd * ahead_q - l_qd * ahead_d) / determinant
        ps.edge_A[0, leg], ps.edge_A[1, leg], ps.edge_A[2, leg] = phases(id_A, iq_A, sine_at, cosine_at)


@kernel
def _edges(p, s, table, before):
    """(currents at the edges) => what the edges cost, counted; returned: what their dead times add to conduction [J].

    A leg that leaves or enters a rail may have an edge between two ticks as well: where one ends other than the next begins.
    """
    power, ps, u, odd = p.power, s.power, s.drive.u, s.tick & 1
    added_J = 0.0
    for leg in range(3):
        duty = u[leg]
        begins = 1 if (duty >= 1.0 if odd else duty > 0.0) else 0
        if ps.level[leg] == 1 - begins:
            added_J += in_the_dead_time(p.inverter, s.drive, ps, leg, begins, before[leg])
            if power.settings > 0:
                averaged_edge(power, ps, table, leg, begins, before[leg], s.plant.link_V)
        ps.level[leg] = 1 if (duty > 0.0 if odd else duty >= 1.0) else 0
        if 0.0 < duty < 1.0:
            added_J += in_the_dead_time(p.inverter, s.drive, ps, leg, odd, ps.edge_A[leg, leg])
            if power.settings > 0:
                averaged_edge(power, ps, table, leg, odd, ps.edge_A[leg, leg], s.plant.link_V)
    return added_J


@kernel
def _between_edges(p, s, before, after):
    """(currents at the edges) => conduction from each edge to the next, dead times apart, counted at the devices [J]."""
    ps, odd, tick_s = s.power, s.tick & 1, p.clock.tick_s
    first, last = 0, 0
    for leg in range(1, 3):
        if ps.edge_at[leg] < ps.edge_at[first]:
            first = leg
        if ps.edge_at[leg] >= ps.edge_at[last]:
            last = leg
    middle = 3 - first - last
    to_1, to_2, to_3 = ps.edge_at[first], ps.edge_at[middle], ps.edge_at[last]
    total_J = 0.0
    for leg in range(3):
        a, b, c, d, e = before[leg], ps.edge_A[leg, first], ps.edge_A[leg, middle], ps.edge_A[leg, last], after[leg]
        if p.inverter.is_mosfet:
            # Mean squares of the four stretches; the leg changes its switch at its own edge.
            one, two = to_1 * square(a, b), (to_2 - to_1) * square(b, c)
            three, four = (to_3 - to_2) * square(c, d), (1.0 - to_3) * square(d, e)
            early = one + (two if leg != first else 0.0) + (three if leg == last else 0.0)
            total_J += carried(s.drive, ps, leg, odd, early * tick_s, (one + two + three + four - early) * tick_s)
        else:
            total_J += shared(s.drive, ps, leg, odd, to_1 * tick_s, a, b)
            total_J += shared(s.drive, ps, leg, odd ^ (leg == first), (to_2 - to_1) * tick_s, b, c)
            total_J += shared(s.drive, ps, leg, odd ^ (leg != last), (to_3 - to_2) * tick_s, c, d)
            total_J += shared(s.drive, ps, leg, 1 - odd, (1.0 - to_3) * tick_s, d, e)
    return total_J
