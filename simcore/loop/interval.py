"""From one instant to the next inside a tick: plant, continuous sensor parts and scopes, step by step."""

import math

from simcore.inverter.switched import next_event_s, pass_events, set_switched_legs
from simcore.kernel import inlined, kernel
from simcore.loop.power import begin_interval, count_edges, end_interval
from simcore.loop.records import MAX_SCOPES
from simcore.plant.detail import terminal_currents
from simcore.plant.link import set_supply
from simcore.plant.rates import leg_law, rates, rk4, settle_at_rest, step_plant
from simcore.plant.records import FREE, TWO_MASS
from simcore.rotation import HALF_SQRT3
from simcore.sensing.current import filter_currents
from simcore.sensing.position import track
from simcore.sensing.records import RESOLVER

NO_CURRENT_A = 1e-9
RAIL_V = 1e-6  # an open leg right at a rail stays open


@kernel
def phase_current(leg, id_A, iq_A, angle):
    """(leg, dq currents, electrical angle) => that phase's current [A]."""
    cosine, sine = math.cos(angle), math.sin(angle)
    i_alpha = cosine * id_A - sine * iq_A
    i_beta = sine * id_A + cosine * iq_A
    if leg == 0:
        return i_alpha
    if leg == 1:
        return -0.5 * i_alpha + HALF_SQRT3 * i_beta
    return -0.5 * i_alpha - HALF_SQRT3 * i_beta


@kernel
def _free_voltage(p, s, table, leg, psi_d, psi_q, omega, theta, link_V, supply_A):
    """(open leg, plant's state) => the voltage to the negative rail at which its current stays zero [V]."""
    drive, legs = s.drive, s.legs
    angle = p.machine.pole_pairs * theta
    k = rates(p.machine, p.shaft, p.link, drive, table, s.plant.stuck, psi_d, psi_q, omega, theta, math.sin(angle),
              math.cos(angle), link_V, supply_A, s.plant.omega_load, s.plant.twist)  # fmt: skip
    va, vb, vc = k[10], -0.5 * k[10] + HALF_SQRT3 * k[11], -0.5 * k[10] - HALF_SQRT3 * k[11]
    phase = va if leg == 0 else (vb if leg == 1 else vc)
    for other in range(3):
        if legs.gate[other] != 0 or legs.diode[other] != 0:
            tied, _ = leg_law(drive, other, phase_current(other, k[6], k[7], angle), link_V)
            return tied + phase - (va if other == 0 else (vb if other == 1 else vc))
    # Nothing ties the machine to a rail: the EMF's extremes reach both rails together.
    return 0.5 * link_V + phase - 0.5 * (max(va, max(vb, vc)) + min(va, min(vb, vc)))


@kernel
def take_scopes(p, s, table, scopes, samples, now_s, h):
    """(state at now_s, coming step h) => every scope sample that falls into it; the run's own state is not touched."""
    plant, drive = s.plant, s.drive
    for index in range(min(p.scopes, MAX_SCOPES)):
        scope = scopes[index]
        while s.scope_at[index] < scope.count:
            ahead = scope.from_s + s.scope_at[index] * scope.step_s - now_s
            if ahead > h - 1e-12 * scope.step_s - 1e-15:
                break
            x = rk4(p.machine, p.shaft, p.link, drive, table, plant, max(ahead, 0.0))
            angle = p.machine.pole_pairs * x[3]
            k = rates(p.machine, p.shaft, p.link, drive, table, plant.stuck, x[0], x[1], x[2], x[3], math.sin(angle),
                      math.cos(angle), x[4], x[5], x[18], x[19])  # fmt: skip
            row = samples[scope.first + s.scope_at[index]]
            ia = phase_current(0, k[6], k[7], angle)
            ib = phase_current(1, k[6], k[7], angle)
            va = k[10]
            vb = -0.5 * k[10] + HALF_SQRT3 * k[11]
            vc = -0.5 * k[10] - HALF_SQRT3 * k[11]
            leg_a, _ = leg_law(drive, 0, ia, x[4])
            leg_b, _ = leg_law(drive, 1, ib, x[4])
            leg_c, _ = leg_law(drive, 2, -ia - ib, x[4])
            if drive.open_leg >= 0:
                legs = s.legs
                if legs.gate[0] == 0 and legs.diode[0] == 0:
                    leg_a = _free_voltage(p, s, table, 0, x[0], x[1], x[2], x[3], x[4], x[5])
                if legs.gate[1] == 0 and legs.diode[1] == 0:
                    leg_b = _free_voltage(p, s, table, 1, x[0], x[1], x[2], x[3], x[4], x[5])
                if legs.gate[2] == 0 and legs.diode[2] == 0:
                    leg_c = _free_voltage(p, s, table, 2, x[0], x[1], x[2], x[3], x[4], x[5])
            row[0] = scope.from_s + s.scope_at[index] * scope.step_s
            row[1], row[2], row[3], row[4], row[5] = ia, ib, -ia - ib, k[6], k[7]
            row[6], row[7], row[8], row[9], row[10], row[11] = leg_a, leg_b, leg_c, va, vb, vc
            row[12], row[13], row[14], row[15], row[16], row[17] = k[8], k[9], x[4], k[14], k[13], k[12]
            row[18] = x[2] * 30.0 / math.pi
            row[19] = x[3] * 180.0 / math.pi
            s.scope_at[index] += 1


@inlined
def advance_step(p, s, table, scopes, samples, now_s, h):
    """(state, time, step h) => plant, filters and tracking loop after h."""
    plant, drive = s.plant, s.drive
    if p.scopes > 0:
        take_scopes(p, s, table, scopes, samples, now_s, h)
    if p.shaft.kind == FREE or p.shaft.kind == TWO_MASS:
        settle_at_rest(p.machine, p.shaft, drive, table, plant)
    if p.link.active:
        set_supply(p.link, drive, plant, now_s + 0.5 * h)
    theta, omega = plant.theta, plant.omega
    id_A, iq_A = 0.0, 0.0
    filtered = p.current.bandwidth_rad_s > 0.0
    if filtered:
        id_A, iq_A = terminal_currents(p.machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    step_plant(p.machine, p.shaft, p.link, drive, table, plant, s.sums, h)
    if filtered:
        id_1, iq_1 = terminal_currents(p.machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
        turned = p.machine.pole_pairs * (plant.theta - theta)
        filter_currents(p.current, s.sensors, h, id_A, iq_A, id_1, iq_1, turned)
    if p.position.kind == RESOLVER:
        track(p.position, s.sensors, h, theta, plant.theta, omega, plant.omega)


@inlined
def advance_averaged(p, s, table, scopes, samples, tick_start_s, from_s, to_s):
    """(state, from and to inside the tick [s]) => state at to_s with averaged legs."""
    span = to_s - from_s
    if span <= 0.0:
        return
    steps = max(1, math.ceil(span / p.clock.solver_step_s - 1e-9))
    h = span / steps
    for step in range(steps):
        advance_step(p, s, table, scopes, samples, tick_start_s + from_s + step * h, h)


@kernel
def _slack(p, s, table, leg, psi_d, psi_q, omega, theta, link_V, supply_A):
    """(leg with both switches off, plant's state) => how far it is from changing over: forward current of its diode [A], or
    what its free voltage lacks to turn a diode on [V].  Below zero it has changed over."""
    if s.legs.diode[leg] != 0:
        id_A, iq_A = terminal_currents(p.machine, table, psi_d, psi_q, omega, theta)
        current = phase_current(leg, id_A, iq_A, p.machine.pole_pairs * theta)
        return -current if s.legs.diode[leg] > 0 else current  # lower diode: current out of the leg
    free = _free_voltage(p, s, table, leg, psi_d, psi_q, omega, theta, link_V, supply_A)
    return p.inverter.diode_threshold_V + 2.0 * RAIL_V + min(free, link_V - free)


@kernel
def _decide_open_legs(p, s, table):
    """(legs with both switches off) => those without current stay open, or turn on the diode that their voltage asks for.

    Decided anew whenever anything switches: a diode that carries nothing yet must not stay on by an earlier decision.
    """
    plant, drive, legs = s.plant, s.drive, s.legs
    id_A, iq_A = terminal_currents(p.machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    angle = p.machine.pole_pairs * plant.theta
    ia = phase_current(0, id_A, iq_A, angle)
    ib = phase_current(1, id_A, iq_A, angle)
    for leg in range(3):
        if abs(ia if leg == 0 else (ib if leg == 1 else -ia - ib)) <= NO_CURRENT_A:
            legs.diode[leg] = 0
    set_switched_legs(p.inverter, legs, drive, ia, ib, -ia - ib, NO_CURRENT_A)
    while drive.open_leg >= 0:
        which, lowest = -1, RAIL_V
        for leg in range(3):
            if legs.gate[leg] == 0 and legs.diode[leg] == 0:
                slack = _slack(p, s, table, leg, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V,
                               plant.supply_A)  # fmt: skip
                if slack < lowest:
                    which, lowest = leg, slack
        if which < 0:
            return
        free = _free_voltage(p, s, table, which, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V,
                             plant.supply_A)  # fmt: skip
        legs.diode[which] = 1 if free > 0.5 * plant.link_V else -1
        set_switched_legs(p.inverter, legs, drive, ia, ib, -ia - ib, NO_CURRENT_A)


@kernel
def _slack_after(p, s, table, leg, h):
    """(leg with both switches off, time h) => its slack after h."""
    plant = s.plant
    x = rk4(p.machine, p.shaft, p.link, s.drive, table, plant, h)
    return _slack(p, s, table, leg, x[0], x[1], x[2], x[3], x[4], x[5])


@kernel
def _first_change(p, s, table, h):
    """(legs with both switches off, step h) => time at which the first of them changes over and that leg, or h and -1.

    Changes over: a diode's current ends, or an open leg's voltage leaves the rails.  Regula falsi (Illinois).
    """
    plant, legs = s.plant, s.legs
    found, which = h, -1
    for leg in range(3):
        if legs.gate[leg] != 0:
            continue
        high, f_high = found, _slack_after(p, s, table, leg, found)
        if f_high >= 0.0:
            continue
        low = 0.0
        f_low = _slack(p, s, table, leg, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V, plant.supply_A)
        for _ in range(20):
            if f_low > 0.0:
                break
            # Turned on from zero a moment ago: look for the time at which its current flows.
            low = 0.5 * high
            f_low = _slack_after(p, s, table, leg, low)
            if f_low <= 0.0:
                high, f_high, low = low, f_low, 0.0
        if f_low <= 0.0:
            continue
        for _ in range(60):
            trial = (low * f_high - high * f_low) / (f_high - f_low)
            value = _slack_after(p, s, table, leg, trial)
            found, which = trial, leg
            if abs(value) < 0.1 * NO_CURRENT_A or high - low < 1e-18:
                break
            if value < 0.0:
                high, f_high = trial, value
                f_low *= 0.5
            else:
                low, f_low = trial, value
                f_high *= 0.5
    return found, which


@kernel
def advance_switched(p, s, table, scopes, samples, tick_start_s, from_s, to_s):
    """(state, from and to inside the tick [s]) => state at to_s with switched legs, exact from edge to edge."""
    legs = s.legs
    now = from_s
    while True:
        pass_events(p.inverter, legs, now)
        if p.power.active:
            count_edges(p, s, table)
        if now >= to_s:
            return
        until = min(next_event_s(legs), to_s)
        _decide_open_legs(p, s, table)
        dead = legs.gate[0] == 0 or legs.gate[1] == 0 or legs.gate[2] == 0
        while until - now > 0.0:
            left = until - now
            steps = max(1, math.ceil(left / p.clock.solver_step_s - 1e-9))
            h = left / steps
            ended = -1
            if dead:
                h, ended = _first_change(p, s, table, h)
            if h > 0.0:
                if p.power.active:
                    begin_interval(p, s, table)
                advance_step(p, s, table, scopes, samples, tick_start_s + now, h)
                if p.power.active:
                    end_interval(p, s, table, h)
            if ended >= 0:
                legs.diode[ended] = 0
                now += h
                _decide_open_legs(p, s, table)
            elif steps == 1:
                break
            else:
                now += h
        now = until
