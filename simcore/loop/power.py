"""The power stage in the loop: what each tick's or interval's conduction, edges, drivers and link ripple lose, and the heat.

Energies of edges, drivers and capacitor are drawn from the link as a constant power in the tick after, so that they pass
through the energy audit like every other loss; conduction is what the integrated leg laws lost, shared among the devices, with
averaged legs also what the ripple adds (averaged_losses.py).
"""

import math

from simcore.inverter.gate_plan import choose_settings
from simcore.inverter.losses import count_drivers, curve_at, give, phases, share_conduction, turn_off, turn_on
from simcore.inverter.records import LOWER, UPPER
from simcore.kernel import kernel
from simcore.loop.averaged_losses import averaged_losses
from simcore.plant.detail import terminal_currents
from simcore.plant.heat import step_devices, step_machine, warm_machine
from simcore.plant.link import supply_current
from simcore.plant.records import STIFF


@kernel
def note_currents(p, s, table):
    """(state) => currents and angle kept, from which the coming tick or interval is judged."""
    plant, ps = s.plant, s.power
    ps.id_A, ps.iq_A = terminal_currents(p.machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    ps.angle = p.machine.pole_pairs * plant.theta


@kernel
def begin_power_tick(p, s, table):
    """(state at the tick) => gate settings of the tick, and the last tick's losses as a power drawn from the link."""
    power, ps, drive = p.power, s.power, s.drive
    note_currents(p, s, table)
    if ps.asked >= 0:
        ps.setting[0] = ps.setting[1] = ps.setting[2] = ps.asked
    elif power.rules > 0:
        ia, ib, ic = phases(ps.id_A, ps.iq_A, math.sin(ps.angle), math.cos(ps.angle))
        amplitude = math.sqrt(ps.id_A * ps.id_A + ps.iq_A * ps.iq_A)
        choose_settings(power, ps, ia, ib, ic, amplitude, s.plant.link_V)
    ps.drawn_switching_J, ps.drawn_driver_J, ps.drawn_capacitor_J = ps.switching_J, ps.driver_J, ps.capacitor_J
    ps.switching_J = ps.driver_J = ps.capacitor_J = 0.0
    ps.leg_J[0] = ps.leg_J[1] = ps.leg_J[2] = 0.0
    drawn_J = ps.drawn_switching_J + ps.drawn_driver_J + ps.drawn_capacitor_J
    # In a single tick the ripple may also save a little; nothing is ever given back to the link, it waits.
    ps.drawn_ripple_J = max(ps.ripple_J, -drawn_J)
    ps.ripple_J -= ps.drawn_ripple_J
    drive.loss_W = (drawn_J + ps.drawn_ripple_J) / p.clock.tick_s


@kernel
def end_power_tick(p, s, table, by_edges):
    """(sums of the tick) => energy drawn from the link for switching, drivers and capacitor [J]; heat has stepped on.

    by_edges: the losses of the tick were counted at real edges already.
    """
    ps = s.power
    if not by_edges:
        averaged_losses(p, s, table)
    else:
        ps.level[0] = ps.level[1] = ps.level[2] = -1
    ps.row_switching_J += ps.drawn_switching_J
    ps.row_driver_J += ps.drawn_driver_J
    ps.row_capacitor_J += ps.drawn_capacitor_J
    for leg in range(3):
        ps.row_leg_J[leg] += ps.leg_J[leg]
    s.audit.switching_J += ps.drawn_switching_J
    s.audit.driver_J += ps.drawn_driver_J
    s.audit.capacitor_J += ps.drawn_capacitor_J
    _heat(p, s)
    return ps.drawn_switching_J + ps.drawn_driver_J + ps.drawn_capacitor_J


@kernel
def _share_out(ps, lost_J, law_a, law_b, law_c):
    """(energy that the integrated laws lost, powers of each leg by its laws) => all of it counted at the devices."""
    total = law_a[0] + law_a[1] + law_a[2] + law_a[3] + law_b[0] + law_b[1] + law_b[2] + law_b[3]
    total += law_c[0] + law_c[1] + law_c[2] + law_c[3]
    if total > 0.0:
        give(ps, 0, lost_J / total, law_a)
        give(ps, 1, lost_J / total, law_b)
        give(ps, 2, lost_J / total, law_c)


@kernel
def begin_interval(p, s, table):
    """(state before a step with switched legs) => what the step's losses are measured from."""
    note_currents(p, s, table)
    s.power.link_J, s.power.terminal_J, s.power.short_J = s.sums.link_J, s.sums.terminal_J, s.sums.short_J


@kernel
def end_interval(p, s, table, h):
    """(state after a step h with switched legs) => its conduction energy at the devices, the link capacitor's loss."""
    ps, plant, legs, drive = s.power, s.plant, s.legs, s.drive
    id_1, iq_1 = terminal_currents(p.machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    angle_1 = p.machine.pole_pairs * plant.theta
    before = phases(ps.id_A, ps.iq_A, math.sin(ps.angle), math.cos(ps.angle))
    after = phases(id_1, iq_1, math.sin(angle_1), math.cos(angle_1))
    lost_J = s.sums.link_J - ps.link_J - (s.sums.terminal_J - ps.terminal_J) - drive.loss_W * h
    lost_J -= s.sums.short_J - ps.short_J
    if not drive.ideal:
        law_a = _interval_law(p, s, 0, before[0], after[0])
        law_b = _interval_law(p, s, 1, before[1], after[1])
        law_c = _interval_law(p, s, 2, before[2], after[2])
        _share_out(ps, lost_J, law_a, law_b, law_c)
    if p.power.capacitor_ohm > 0.0 and p.link.kind != STIFF:
        from_A = to_A = -supply_current(p.link, drive, plant.link_V, plant.supply_A, 0.0)
        for leg in range(3):
            if legs.gate[leg] > 0 or (legs.gate[leg] == 0 and legs.diode[leg] == 1):
                from_A += before[leg]
                to_A += after[leg]
        ps.capacitor_J += p.power.capacitor_ohm * (from_A * from_A + from_A * to_A + to_A * to_A) * (1.0 / 3.0) * h


@kernel
def _interval_law(p, s, leg, from_A, to_A):
    legs = s.legs
    square = (from_A * from_A + from_A * to_A + to_A * to_A) * (1.0 / 3.0)
    gate = legs.gate[leg]
    dead = 1.0 if gate == 0 else 0.0
    if gate == 0 and legs.diode[leg] == 0:
        square, from_A, to_A = 0.0, 0.0, 0.0
    current = 0.5 * (from_A + to_A)
    if gate == 0:
        # Both switches off: the diode by the current's sign, none of the switches' laws.
        return share_conduction(p.inverter, s.drive, leg, 0.5, dead, current, square)
    return share_conduction(p.inverter, s.drive, leg, 1.0 if gate > 0 else 0.0, 0.0, current, square)


@kernel
def count_edges(p, s, table):
    """(gates after everything due has acted) => energy of each real transition, by the current that flows at that instant.

    A switch turns off hard where it carries its forward current, and on hard against the opposite diode; else it costs nothing.
    """
    ps, legs, plant = s.power, s.legs, s.plant
    if legs.gate[0] == ps.gate_seen[0] and legs.gate[1] == ps.gate_seen[1] and legs.gate[2] == ps.gate_seen[2]:
        return
    if p.power.settings == 0:
        return
    id_A, iq_A = terminal_currents(p.machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    angle = p.machine.pole_pairs * plant.theta
    currents_A = phases(id_A, iq_A, math.sin(angle), math.cos(angle))
    for leg in range(3):
        was, now = ps.gate_seen[leg], legs.gate[leg]
        if was == now:
            continue
        ps.gate_seen[leg] = now
        current = currents_A[leg]
        # `forward` is the current in the forward direction of the switch in question.
        if was != 0:
            side, forward = (UPPER, current) if was > 0 else (LOWER, -current)
            if forward > 0.0 or (was > 0 and forward == 0.0):
                turn_off(p.power, ps, table, leg, side, forward, plant.link_V)
        if now != 0:
            side, forward = (UPPER, current) if now > 0 else (LOWER, -current)
            if forward > 0.0 or (now > 0 and forward == 0.0):
                turn_on(p.power, ps, table, leg, side, forward, plant.link_V)
            count_drivers(p.power, ps, leg)


@kernel
def _heat(p, s):
    """(energies of the tick) => at the heat's own step: temperatures, and the drops, resistance and flux that follow them."""
    power, ps = p.power, s.power
    if s.tick == power.window_tick:
        for device in range(6):
            ps.window_switch_J[device] = ps.window_diode_J[device] = 0.0
        ps.window_copper_J = ps.window_iron_J = 0.0
    if power.heat and (s.tick + 1) % power.heat_ticks == 0:
        for device in range(6):
            ps.window_switch_J[device] += ps.switch_J[device]
            ps.window_diode_J[device] += ps.diode_J[device]
        step_devices(power, ps)
        set_devices(p, s)
    elif power.heat == 0:
        for device in range(6):
            ps.switch_J[device] = ps.diode_J[device] = 0.0
    if power.machine_heat:
        ps.copper_J += s.sums.copper_J
        ps.iron_J += s.sums.iron_J
        if (s.tick + 1) % power.machine_ticks == 0:
            ps.window_copper_J += ps.copper_J
            ps.window_iron_J += ps.iron_J
            step_machine(power, ps)
            warm_machine(power, ps, p.machine, s.plant.psi_d)
            p.winding_degC = ps.winding_degC
            p.magnet_degC = ps.magnet_degC


@kernel
def set_devices(p, s):
    """(junction temperatures, currents noted at the tick's start) => every device's drop from now on, the hottest junction."""
    power, ps, drive = p.power, s.power, s.drive
    ia, ib, ic = phases(ps.id_A, ps.iq_A, math.sin(ps.angle), math.cos(ps.angle))
    hottest = ps.switch_degC[0]
    for device in range(6):
        leg = device // 2
        devices = power.devices[leg]
        switch_degC, diode_degC = ps.switch_degC[device], ps.diode_degC[device]
        hottest = max(hottest, max(switch_degC, diode_degC))
        drive.switch_V[device] = curve_at(devices.switch_V, switch_degC)
        drive.switch_ohm[device] = curve_at(devices.switch_ohm, switch_degC)
        if devices.over_current.count > 0:
            size = abs(ia if leg == 0 else (ib if leg == 1 else ic))
            drive.switch_ohm[device] *= curve_at(devices.over_current, size)
        drive.diode_V[device] = curve_at(devices.diode_V, diode_degC)
        drive.diode_ohm[device] = curve_at(devices.diode_ohm, diode_degC)
    p.junction_degC = hottest
    ps.hottest_degC = max(ps.hottest_degC, hottest)
