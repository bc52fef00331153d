"""From one instant to the next inside a tick: plant, continuous sensor parts and scopes, step by step."""

import math

from simcore.inverter.switched import next_event_s, pass_events
from simcore.kernel import inlined, kernel
from simcore.loop.diode_changes import DECIDE_ANEW, NO_CHANGE, next_change
from simcore.loop.open_legs import decide_open_legs, leg_voltages, note_backward, phase_current, solver_step_s
from simcore.loop.power import begin_interval, count_edges, end_interval
from simcore.loop.records import MAX_SCOPES
from simcore.plant.faulty_terminals import line_currents
from simcore.plant.link import set_supply
from simcore.plant.rates import leg_law, rates, rk4, settle_at_rest, step_plant
from simcore.plant.records import FREE, TWO_MASS
from simcore.rotation import HALF_SQRT3
from simcore.sensing.current import filter_currents
from simcore.sensing.position import track
from simcore.sensing.records import RESOLVER


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
                leg_a, leg_b, leg_c, _, _ = leg_voltages(p, s, table, x[0], x[1], x[2], x[3], x[4], x[5])
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
        id_A, iq_A = line_currents(p.machine, table, drive, plant)
    step_plant(p.machine, p.shaft, p.link, drive, table, plant, s.sums, h)
    if filtered:
        id_1, iq_1 = line_currents(p.machine, table, drive, plant)
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
        decide_open_legs(p, s, table)
        dead = legs.gate[0] == 0 or legs.gate[1] == 0 or legs.gate[2] == 0
        longest = solver_step_s(p, s, table) if dead else p.clock.solver_step_s
        changes, at_once = 0, 0
        while until - now > 0.0:
            left = until - now
            steps = max(1, math.ceil(left / longest - 1e-9))
            h, changed = left / steps, NO_CHANGE
            if dead:
                h, changed, changes, at_once = next_change(p, s, table, h, changes, at_once)
            if h > 0.0:
                if p.power.active:
                    begin_interval(p, s, table)
                advance_step(p, s, table, scopes, samples, tick_start_s + now, h)
                if p.power.active:
                    end_interval(p, s, table, h)
            if changed == NO_CHANGE and steps == 1:
                break
            now += h
            if changed != NO_CHANGE:
                note_backward(p, s, table)
                if changed != DECIDE_ANEW:
                    legs.diode[changed] = 0
                decide_open_legs(p, s, table)
        if dead:
            note_backward(p, s, table)
        now = until
