"""From one instant to the next inside a tick while something is broken: as advance_switched, any leg tied, parted or shorted.

What conducts is found by looking at every combination of the diodes in question until all of them fit: forward current where
on, voltage between the rails where off.  Checked: tests/inverter/test_broken_legs.py, test_terminal_shorts.py.
"""

import math

from simcore.inverter.faulty import next_faulty_event_s, pass_faulty_events, set_faulty_legs, through_resistance
from simcore.kernel import kernel
from simcore.loop.interval import advance_step
from simcore.loop.open_legs import NO_CURRENT_A, RAIL_V, between_rails, first_change, phase_current
from simcore.loop.power import begin_interval, count_edges, end_interval
from simcore.plant.detail import terminal_currents
from simcore.plant.faulty_terminals import conductance, faulty_state, shorted, shorted_power
from simcore.plant.machine import incremental_inductances
from simcore.plant.open_terminals import current_slope
from simcore.plant.rates import rk4
from simcore.plant.records import CAPACITOR, STIFF

MOST_CHANGES = 200  # of diodes in one interval; what asks for more rattles at a rail
ENDED_A = 1e-6
WRONG_WAY_V = 1e6  # a diode against its direction, beside volts beyond a rail


@kernel
def _misfit(p, s, table, in_question):
    """(diodes as tried, which of them are in question as bits) => how far they are from fitting, 0 where all do [V]."""
    plant, drive, legs = s.plant, s.drive, s.legs
    va, vb, vc, ja, jb, jc, v_alpha, v_beta = faulty_state(
        p.machine, table, drive, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V
    )
    tied = drive.tied[0] + drive.tied[1] + drive.tied[2]
    misfit = 0.0
    for leg in range(3):
        if tied < 2 and conductance(drive, leg) == 0.0 and abs(ja if leg == 0 else (jb if leg == 1 else jc)) > ENDED_A:
            misfit += WRONG_WAY_V  # a current that has no way back
        if in_question & (1 << leg) == 0:
            continue
        if legs.diode[leg] == 0:
            voltage = va if leg == 0 else (vb if leg == 1 else vc)
            lacks = between_rails(p.inverter, drive, leg, voltage, plant.link_V) + RAIL_V
            misfit += max(-lacks, 0.0)
        elif tied < 2:
            misfit += WRONG_WAY_V
        elif _forward(p, s, table, leg, ja if leg == 0 else (jb if leg == 1 else jc), v_alpha, v_beta) <= 0.0:
            misfit += WRONG_WAY_V
    return misfit


@kernel
def _forward(p, s, table, leg, current, v_alpha, v_beta):
    """(leg whose diode conducts, current out of it, machine's voltage) => above zero where it flows, or begins to, by the
    diode's direction.

    What flows between terminals follows at once; a current through windings begins with its slope.  Where the leg's terminal
    is tied to another by a resistance, what begins to flow out of it returns by the third.
    """
    plant, machine = s.plant, p.machine
    direction = -1.0 if s.legs.diode[leg] > 0 else 1.0
    attached = conductance(s.drive, leg) > 0.0
    if attached and abs(current) > NO_CURRENT_A:
        return direction * current
    windings = leg
    if attached:
        direction = -direction
        for other in range(3):
            if conductance(s.drive, other) == 0.0:
                windings = other
        if windings == leg:
            return -1.0
    angle = machine.pole_pairs * plant.theta
    slope, _ = current_slope(machine, table, windings, plant.psi_d, plant.psi_q, plant.omega, plant.theta, math.sin(angle),
                             math.cos(angle), v_alpha, v_beta)  # fmt: skip
    return direction * slope


@kernel
def _in_question(p, s, table):
    """(gates, currents) => bits of the legs whose diodes must be found; the others' diodes follow from their current."""
    plant, legs, drive = s.plant, s.legs, s.drive
    id_A, iq_A = terminal_currents(p.machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    angle = p.machine.pole_pairs * plant.theta
    found = 0
    for leg in range(3):
        if legs.gate[leg] != 0:
            continue
        current = phase_current(leg, id_A, iq_A, angle)
        if legs.parted[leg]:
            legs.diode[leg] = 0
        elif conductance(drive, leg) > 0.0 or abs(current) <= NO_CURRENT_A or legs.diode[leg] == 0:
            found |= 1 << leg
        elif legs.diode[leg] == 2:
            legs.diode[leg] = -1 if current > 0.0 else 1
    return found


@kernel
def _try_diodes(legs, in_question, trial):
    """(which, number of the combination 0 .. 26) => each diode in question off, upper or lower."""
    for leg in range(3):
        if in_question & (1 << leg):
            digit = trial % 3
            legs.diode[leg] = 0 if digit == 0 else (1 if digit == 1 else -1)
            trial //= 3


@kernel
def _find_diodes(p, s, table):
    """(gates, parted lines) => diodes that fit, and the laws of all legs."""
    legs = s.legs
    set_faulty_legs(p.inverter, legs, s.drive)
    in_question = _in_question(p, s, table)
    trials = 1
    for leg in range(3):
        if in_question & (1 << leg):
            trials *= 3
    best, least = 0, 1e300
    for trial in range(trials):
        _try_diodes(legs, in_question, trial)
        set_faulty_legs(p.inverter, legs, s.drive)
        misfit = _misfit(p, s, table, in_question)
        if misfit < least:
            best, least = trial, misfit
        if misfit == 0.0:
            return
    _try_diodes(legs, in_question, best)
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
def longest_step_s(p, s, table):
    """(laws of the interval) => solver step: a tenth at most of the time constants that shorts make with link and windings."""
    step, drive, faults = p.clock.solver_step_s, s.drive, p.inverter.faults
    across_S, most_ohm = drive.through_S, 0.0
    for pair in range(3):
        across_S += drive.between_S[pair]
        most_ohm = max(most_ohm, faults.short_ohm[pair])
    if across_S == 0.0:
        return step
    if p.link.kind != STIFF:
        if p.link.kind == CAPACITOR:
            across_S += 1.0 / p.link.resistance_ohm
        step = min(step, 0.1 * p.link.capacitance_F / across_S)
    if most_ohm > 0.0:
        id_A, iq_A = terminal_currents(p.machine, table, s.plant.psi_d, s.plant.psi_q, s.plant.omega, s.plant.theta)
        l_dd, _, _, l_qq = incremental_inductances(p.machine, table, id_A, iq_A)
        step = min(step, 0.1 * min(l_dd, l_qq) / most_ohm)
    return step


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
        changes = 0
        while until - now > 0.0:
            left = until - now
            steps = max(1, math.ceil(left / longest_step_s(p, s, table) - 1e-9))
            h = left / steps
            ended = -1
            if changes < MOST_CHANGES:
                h, ended = first_change(p, s, table, h)
            if h > 0.0:
                _step(p, s, table, scopes, samples, tick_start_s + now, h)
            if ended >= 0:
                changes += 1
                if legs.gate[ended] == 0:
                    legs.diode[ended] = 0
                else:
                    legs.parted[ended] = 1
                now += h
                decide_faulty(p, s, table)
            elif steps == 1:
                break
            else:
                now += h
        now = until
