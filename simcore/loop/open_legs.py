"""Legs whose switches are both off: which diode conducts, what a floating terminal's voltage is, when that changes.

A diode conducts by the current's sign; a leg without current floats at the voltage that keeps it so, until a diode turns on.
Checked: tests/inverter/test_switched_circuit.py, test_gates_off.py.
"""

import math

from simcore.inverter.switched import set_switched_legs
from simcore.kernel import kernel
from simcore.plant.detail import terminal_currents
from simcore.plant.faulty_terminals import faulty_state
from simcore.plant.rates import leg_law, rates, rk4
from simcore.plant.records import FAULTY
from simcore.rotation import HALF_SQRT3

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
def free_voltage(p, s, table, leg, psi_d, psi_q, omega, theta, link_V, supply_A):
    """(open leg, plant's state) => the voltage to the negative rail at which its current stays zero [V]."""
    drive, legs = s.drive, s.legs
    if drive.open_leg == FAULTY:
        va, vb, vc, _, _, _, _, _ = faulty_state(p.machine, table, drive, psi_d, psi_q, omega, theta, link_V)
        return va if leg == 0 else (vb if leg == 1 else vc)
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
def _slack(p, s, table, leg, psi_d, psi_q, omega, theta, link_V, supply_A):
    """(leg with both switches off, plant's state) => how far it is from changing over: forward current of its diode [A], or
    what its free voltage lacks to turn a diode on [V].  Below zero it has changed over."""
    if s.drive.open_leg == FAULTY:
        return _faulty_slack(p, s, table, leg, psi_d, psi_q, omega, theta, link_V)
    if s.legs.diode[leg] != 0:
        id_A, iq_A = terminal_currents(p.machine, table, psi_d, psi_q, omega, theta)
        current = phase_current(leg, id_A, iq_A, p.machine.pole_pairs * theta)
        return -current if s.legs.diode[leg] > 0 else current  # lower diode: current out of the leg
    free = free_voltage(p, s, table, leg, psi_d, psi_q, omega, theta, link_V, supply_A)
    return between_rails(p.inverter, s.drive, leg, free, link_V) + 2.0 * RAIL_V


@kernel
def between_rails(inverter, drive, leg, voltage, link_V):
    """(voltage of an open leg) => what it lacks to turn a diode on [V], below zero where it is beyond."""
    if drive.own_devices:
        return min(voltage + drive.diode_V[2 * leg + 1], link_V - voltage + drive.diode_V[2 * leg])
    return inverter.diode_threshold_V + min(voltage, link_V - voltage)


@kernel
def _faulty_slack(p, s, table, leg, psi_d, psi_q, omega, theta, link_V):
    """As _slack; a line that is to part waits for its current to end, one that has parted for nothing."""
    legs = s.legs
    va, vb, vc, ja, jb, jc, _, _ = faulty_state(p.machine, table, s.drive, psi_d, psi_q, omega, theta, link_V)
    current = ja if leg == 0 else (jb if leg == 1 else jc)
    if legs.parted[leg]:
        return 1.0
    if legs.gate[leg] != 0:
        return legs.line_sign[leg] * current if p.inverter.faults.phase_open[leg] else 1.0
    if legs.diode[leg] != 0:
        return -current if legs.diode[leg] > 0 else current
    return between_rails(p.inverter, s.drive, leg, va if leg == 0 else (vb if leg == 1 else vc), link_V) + 2.0 * RAIL_V


@kernel
def decide_open_legs(p, s, table):
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
    for _ in range(6):
        if drive.open_leg < 0:
            return
        which, lowest = -1, RAIL_V
        for leg in range(3):
            if legs.gate[leg] == 0 and legs.diode[leg] == 0:
                slack = _slack(p, s, table, leg, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V,
                               plant.supply_A)  # fmt: skip
                if slack < lowest:
                    which, lowest = leg, slack
        if which < 0:
            return
        if drive.open_leg == 3 and legs.gate[0] == 0 and legs.gate[1] == 0 and legs.gate[2] == 0:
            turn_pair_on(p, s, table)
        else:
            free = free_voltage(p, s, table, which, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V,
                                plant.supply_A)  # fmt: skip
            legs.diode[which] = 1 if free > 0.5 * plant.link_V else -1
        set_switched_legs(p.inverter, legs, drive, ia, ib, -ia - ib, NO_CURRENT_A)


@kernel
def turn_pair_on(p, s, table):
    """(all three legs float) => the highest and the lowest conduct, from the lower rail through the machine to the upper."""
    plant, legs = s.plant, s.legs
    a = free_voltage(p, s, table, 0, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V, plant.supply_A)
    b = free_voltage(p, s, table, 1, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V, plant.supply_A)
    c = free_voltage(p, s, table, 2, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V, plant.supply_A)
    legs.diode[0 if a >= max(b, c) else (1 if b >= c else 2)] = 1
    legs.diode[0 if a <= min(b, c) else (1 if b <= c else 2)] = -1


@kernel
def _slack_after(p, s, table, leg, h):
    """(leg with both switches off, time h) => its slack after h."""
    plant = s.plant
    x = rk4(p.machine, p.shaft, p.link, s.drive, table, plant, h)
    return _slack(p, s, table, leg, x[0], x[1], x[2], x[3], x[4], x[5])


@kernel
def first_change(p, s, table, h):
    """(legs with both switches off, step h) => time at which the first of them changes over and that leg, or h and -1.

    Changes over: a diode's current ends, or an open leg's voltage leaves the rails.  Regula falsi (Illinois).
    """
    plant, legs = s.plant, s.legs
    found, which = h, -1
    for leg in range(3):
        if legs.gate[leg] != 0 and s.drive.open_leg != FAULTY:
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
