"""From one instant to the next inside a tick while something is broken: as advance_switched, any leg tied, parted or shorted.

What conducts is found by looking at every combination of the diodes in question until all of them fit: forward current where
on, voltage between the rails where off.  Checked: tests/inverter/test_broken_legs.py, test_terminal_shorts.py.
"""

import math

from simcore.inverter.faulty import next_faulty_event_s, pass_faulty_events, set_faulty_legs, through_resistance
from simcore.kernel import kernel
from simcore.loop.diode_changes import DECIDE_ANEW, NO_CHANGE, next_change
from simcore.loop.interval import advance_step
from simcore.loop.open_legs import (
    NO_CURRENT_A,
    RAIL_V,
    begins_with,
    between_rails,
    faulty_legs,
    idle_legs,
    note_backward,
    solver_step_s,
    try_diodes,
)
from simcore.loop.power import begin_interval, count_edges, end_interval
from simcore.plant.detail import terminal_currents
from simcore.plant.faulty_terminals import conductance, faulty_state, shorted, shorted_power
from simcore.plant.machine import incremental_inductances
from simcore.plant.rates import rates, rk4
from simcore.plant.records import CAPACITOR, STIFF

ENDED_A = 1e-6
LINK_ERROR, MOST_TAUS = 1e-6, 1.5  # of the source's voltage a step; stable up to 2.7 time constants
WRONG_WAY_V = 1e6  # a diode without a way back for its current, beside volts beyond a rail


@kernel
def _fit(p, s, table, idle):
    """(diodes as tried, bits of the legs in question) => below zero what the worst of them lacks to fit [V]."""
    plant, drive, legs = s.plant, s.drive, s.legs
    va, vb, vc, ja, jb, jc, v_alpha, v_beta = faulty_legs(
        p, s, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V
    )
    tied = drive.tied[0] + drive.tied[1] + drive.tied[2]
    least = 1e300
    for leg in range(3):
        current = ja if leg == 0 else (jb if leg == 1 else jc)
        if tied < 2 and conductance(drive, leg) == 0.0 and abs(current) > ENDED_A:
            least = min(least, -WRONG_WAY_V)
        if idle & (1 << leg) == 0:
            continue
        if legs.diode[leg] == 0:
            voltage = va if leg == 0 else (vb if leg == 1 else vc)
            least = min(least, between_rails(p.inverter, drive, leg, voltage, plant.link_V) + RAIL_V)
        elif tied < 2:
            least = min(least, -WRONG_WAY_V)
        else:
            least = min(least, _forward_V(p, s, table, leg, current, v_alpha, v_beta))
    return least


@kernel
def _forward_V(p, s, table, leg, current, v_alpha, v_beta):
    """(leg whose diode conducts, current out of it, machine's voltage) => volts above zero where it flows, or begins to, by
    the diode's direction.

    What flows between terminals follows at once; a current through windings begins with its slope.  Where the leg's terminal
    is tied to another by a resistance, what begins to flow out of it returns by the third.
    """
    diode, own_S = s.legs.diode[leg], conductance(s.drive, leg)
    if own_S == 0.0:
        return begins_with(p, s, table, leg, diode, v_alpha, v_beta)
    if abs(current) > NO_CURRENT_A:
        return -diode * current / own_S
    for other in range(3):
        if conductance(s.drive, other) == 0.0:
            return begins_with(p, s, table, other, -diode, v_alpha, v_beta)
    return -RAIL_V


@kernel
def _find_diodes(p, s, table):
    """(gates, parted lines) => diodes that fit, and the laws of all legs; fewest first, as decide_open_legs."""
    legs = s.legs
    set_faulty_legs(p.inverter, legs, s.drive)
    idle = idle_legs(p, s, table)
    best, best_count, most = 0, 0, -1e300
    for count in range(4):
        for trial in range(27):
            if not try_diodes(legs, idle, trial, count):
                continue
            set_faulty_legs(p.inverter, legs, s.drive)
            fit = _fit(p, s, table, idle)
            if fit >= 0.0:
                return
            if fit > most:
                best, best_count, most = trial, count, fit
    try_diodes(legs, idle, best, best_count)
    set_faulty_legs(p.inverter, legs, s.drive)


@kernel
def _part_lines(p, s, table):
    """(opened lines) => those whose current has ended are parted; True where one has just done so."""
    plant, legs = s.plant, s.legs
    _, _, _, ja, jb, jc, _, _ = faulty_state(
        p.machine, table, s.drive, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V
    )
    changed = False
    for leg in range(3):
        current = ja if leg == 0 else (jb if leg == 1 else jc)
        if p.inverter.faults.phase_open[leg] == 0:
            legs.parted[leg], legs.line_sign[leg] = 0, 0.0
        elif legs.parted[leg] == 0:
            if abs(current) <= NO_CURRENT_A or legs.line_sign[leg] * current < 0.0:
                legs.parted[leg], changed = 1, True
            elif legs.line_sign[leg] == 0.0:
                legs.line_sign[leg] = 1.0 if current > 0.0 else -1.0
    return changed


@kernel
def decide_faulty(p, s, table):
    """(gates, faults, state) => which diodes conduct, which lines have parted, and the laws of the interval."""
    for leg in range(3):
        if p.inverter.faults.phase_open[leg] == 0:
            s.legs.parted[leg] = 0
    for _ in range(4):
        _find_diodes(p, s, table)
        if not _part_lines(p, s, table):
            return


@kernel
def _across_S(drive):
    """(laws of the interval) => conductance between the rails, of legs with both switches on and of shorts between terminals
    that legs tie to different rails, directly or by way of the third [S]."""
    across_S = drive.through_S
    for leg in range(3):
        other, third = (leg + 1) % 3, (leg + 2) % 3
        if drive.tied[leg] == 0 or drive.tied[other] == 0 or drive.u[leg] == drive.u[other]:
            continue
        across_S += drive.between_S[leg]
        round_S = drive.between_S[other] + drive.between_S[third]
        if drive.tied[third] == 0 and round_S > 0.0:
            across_S += drive.between_S[other] * drive.between_S[third] / round_S
    return across_S


@kernel
def longest_step_s(p, s, table):
    """(laws of the interval) => solver step: short against the time constants that shorts make with link and windings."""
    step, across_S, most_ohm = solver_step_s(p, s, table), _across_S(s.drive), 0.0
    for pair in range(3):
        most_ohm = max(most_ohm, p.inverter.faults.short_ohm[pair])
    if across_S > 0.0 and p.link.kind != STIFF:
        step = min(step, _link_step_s(p, s, table, across_S))
    if most_ohm > 0.0:
        id_A, iq_A = terminal_currents(p.machine, table, s.plant.psi_d, s.plant.psi_q, s.plant.omega, s.plant.theta)
        l_dd, _, _, l_qq = incremental_inductances(p.machine, table, id_A, iq_A)
        step = min(step, 0.1 * min(l_dd, l_qq) / most_ohm)
    return step


@kernel
def _link_step_s(p, s, table, across_S):
    """(conductance across the link [S]) => step by which the link falls to its short: as long as the fourth-order step's error
    of an exponential, d (h/tau)^5/120, stays a millionth of the source's voltage, d being what it still has to fall."""
    plant, link, drive = s.plant, p.link, s.drive
    if link.kind == CAPACITOR:
        across_S += 1.0 / link.resistance_ohm
    tau_s = link.capacitance_F / across_S
    angle = p.machine.pole_pairs * plant.theta
    k = rates(p.machine, p.shaft, link, drive, table, plant.stuck, plant.psi_d, plant.psi_q, plant.omega, plant.theta,
              math.sin(angle), math.cos(angle), plant.link_V, plant.supply_A, plant.omega_load, plant.twist)  # fmt: skip
    still_V = abs(k[4]) * tau_s + 1e-9
    return tau_s * min(MOST_TAUS, (120.0 * LINK_ERROR * max(abs(drive.source_V), 1.0) / still_V) ** 0.2)


@kernel
def _lost_W(p, s, table, psi_d, psi_q, omega, theta, link_V):
    """(plant's state) => power in what lies between the terminals and in legs with both switches on [W]."""
    lost = s.drive.through_S * link_V * link_V
    if shorted(s.drive):
        va, vb, vc, _, _, _, _, _ = faulty_state(p.machine, table, s.drive, psi_d, psi_q, omega, theta, link_V)
        lost += shorted_power(s.drive, va, vb, vc)
    return lost


@kernel
def _note_peaks(p, s, table):
    plant, legs = s.plant, s.legs
    _, _, _, ja, jb, jc, _, _ = faulty_state(
        p.machine, table, s.drive, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V
    )
    legs.line_peak_A = max(legs.line_peak_A, max(abs(ja), max(abs(jb), abs(jc))))
    if s.drive.through_S > 0.0:
        legs.through_A = max(legs.through_A, plant.link_V / through_resistance(p.inverter))


@kernel
def _step(p, s, table, scopes, samples, now_s, h):
    """(laws, step h) => state after h; what shorts lose on the way is counted by Simpson's rule, currents' peaks are kept."""
    plant = s.plant
    counted = s.drive.through_S > 0.0 or shorted(s.drive)
    lost_J = 0.0
    _note_peaks(p, s, table)
    if p.power.active:
        begin_interval(p, s, table)
    if counted:
        x = rk4(p.machine, p.shaft, p.link, s.drive, table, plant, 0.5 * h)
        lost_J = _lost_W(p, s, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V)
        lost_J += 4.0 * _lost_W(p, s, table, x[0], x[1], x[2], x[3], x[4])
    advance_step(p, s, table, scopes, samples, now_s, h)
    if counted:
        lost_J += _lost_W(p, s, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V)
        s.sums.short_J += lost_J * h / 6.0
    _note_peaks(p, s, table)
    if p.power.active:
        end_interval(p, s, table, h)


@kernel
def advance_faulty(p, s, table, scopes, samples, tick_start_s, from_s, to_s):
    """(state, from and to inside the tick [s]) => state at to_s, exact from edge to edge."""
    legs = s.legs
    now = from_s
    while True:
        pass_faulty_events(p.inverter, legs, now)
        if p.power.active:
            count_edges(p, s, table)
        if now >= to_s:
            return
        until = min(next_faulty_event_s(legs), to_s)
        decide_faulty(p, s, table)
        changes, at_once = 0, 0
        while until - now > 0.0:
            left = until - now
            steps = max(1, math.ceil(left / longest_step_s(p, s, table) - 1e-9))
            h, changed, changes, at_once = next_change(p, s, table, left / steps, changes, at_once)
            if h > 0.0:
                _step(p, s, table, scopes, samples, tick_start_s + now, h)
            if changed == NO_CHANGE and steps == 1:
                break
            now += h
            if changed != NO_CHANGE:
                note_backward(p, s, table)
                if changed != DECIDE_ANEW and legs.gate[changed] == 0:
                    legs.diode[changed] = 0
                elif changed != DECIDE_ANEW:
                    legs.parted[changed] = 1
                decide_faulty(p, s, table)
        note_backward(p, s, table)
        now = until
