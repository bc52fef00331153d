"""When the next leg with both switches off changes over: a diode's current ends, a free voltage leaves the rails, a line parts.

Found inside the solver step that is to come.  Whatever rounding makes of a diode that turns on and off at a rail: time goes on.
Checked: tests/inverter/test_gates_off.py, test_switched_circuit.py, test_diodes_and_link.py.
"""

from simcore.inverter.faulty import set_faulty_legs
from simcore.inverter.switched import set_switched_legs
from simcore.kernel import kernel
from simcore.loop.open_legs import NO_CURRENT_A, slacks
from simcore.plant.detail import terminal_currents
from simcore.plant.machine import incremental_inductances
from simcore.plant.rates import rk4
from simcore.plant.records import FAULTY

LEAST_STEP_S = 1e-9  # what lies nearer than this has happened at once
MOST_AT_ONCE = 8  # such changes, one after the other
MOST_CHANGES = 64  # of one interval, after which nearer ones than a sixteenth of a step count so
NO_CHANGE, DECIDE_ANEW = -1, 3


@kernel
def _slack_after(p, s, table, leg, h):
    """(leg, time h) => its slack after h."""
    x = rk4(p.machine, p.shaft, p.link, s.drive, table, s.plant, h)
    one, two, three = slacks(p, s, table, x[0], x[1], x[2], x[3], x[4], x[5])
    return one if leg == 0 else (two if leg == 1 else three)


@kernel
def first_change(p, s, table, h, ends_only):
    """(legs with both switches off, step h) => time at which the first of them changes over and that leg, or h and -1.

    ends_only: legs that are open, or whose diode carries nothing yet, are not looked at.  A diode turned on from no current
    that never flows forward changes over at once.
    """
    plant, legs = s.plant, s.legs
    x = rk4(p.machine, p.shaft, p.link, s.drive, table, plant, h)
    one, two, three = slacks(p, s, table, x[0], x[1], x[2], x[3], x[4], x[5])
    near_V, near_A = _near(p, s, table, h)
    near_a = _bound(s, 0, near_V, near_A)
    near_b = _bound(s, 1, near_V, near_A)
    near_c = _bound(s, 2, near_V, near_A)
    if one >= near_a and two >= near_b and three >= near_c:
        return h, NO_CHANGE
    a, b, c = slacks(p, s, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V, plant.supply_A)
    found, which = h, NO_CHANGE
    for leg in range(3):
        before = a if leg == 0 else (b if leg == 1 else c)
        if ends_only and legs.gate[leg] == 0 and (legs.diode[leg] == 0 or before <= NO_CURRENT_A):
            continue
        at, after = found, one if leg == 0 else (two if leg == 1 else three)
        if which >= 0:
            after = _slack_after(p, s, table, leg, found)
        near = near_a if leg == 0 else (near_b if leg == 1 else near_c)
        if 0.0 <= after < near and before < near:
            at, after = _dip(p, s, table, leg, before, found, after)
        if after < 0.0:
            found, which = _change_of(p, s, table, leg, before, at, after), leg
            if found <= 0.0:
                return 0.0, which
    return found, which


@kernel
def _near(p, s, table, h):
    """(step h) => slack of an open leg [V] and of a conducting one [A] that both ends of the step may have and yet dip below
    zero in between, by the rotor's turning; generous."""
    plant, machine = s.plant, p.machine
    id_A, iq_A = terminal_currents(machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    l_dd, _, _, l_qq = incremental_inductances(machine, table, id_A, iq_A)
    turned = abs(machine.pole_pairs * plant.omega) * h
    return plant.link_V * turned * turned, plant.link_V * turned * h / max(min(l_dd, l_qq), 1e-9)


@kernel
def _bound(s, leg, near_V, near_A):
    if s.legs.gate[leg] != 0 or s.legs.parted[leg]:
        return 0.0
    return near_V if s.legs.diode[leg] == 0 else near_A


@kernel
def _dip(p, s, table, leg, before, h, after):
    """(leg, its slack now and after h, neither below zero) => a time at which it is below zero and that slack, or h and after;
    by the parabola through the step's middle."""
    middle = _slack_after(p, s, table, leg, 0.5 * h)
    if middle < 0.0:
        return 0.5 * h, middle
    bend, rise = before + after - 2.0 * middle, after - before
    if bend <= 0.0 or 2.0 * bend <= abs(rise) or middle - rise * rise / (8.0 * bend) >= 0.0:
        return h, after
    at = h * (0.5 - 0.25 * rise / bend)
    lowest = _slack_after(p, s, table, leg, at)
    return (at, lowest) if lowest < 0.0 else (h, after)


@kernel
def _change_of(p, s, table, leg, before, h, after):
    """(leg, its slack now and, below zero, after h) => when it passes zero.  Regula falsi (Illinois)."""
    low, f_low, high, f_high = 0.0, before, h, after
    if s.legs.gate[leg] == 0 and s.legs.diode[leg] != 0 and before <= NO_CURRENT_A:
        # Turned on from zero a moment ago: look for a time at which its current flows.
        f_low = 0.0
        for _ in range(24):
            low = 0.5 * high
            f_low = _slack_after(p, s, table, leg, low)
            if f_low > 0.0:
                break
            high, f_high = low, f_low
    if f_low <= 0.0:
        return 0.0
    trial = high
    for _ in range(60):
        trial = (low * f_high - high * f_low) / (f_high - f_low)
        value = _slack_after(p, s, table, leg, trial)
        if abs(value) < 0.1 * NO_CURRENT_A or high - low < 1e-18:
            break
        if value < 0.0:
            high, f_high = trial, value
            f_low *= 0.5
        else:
            low, f_low = trial, value
            f_high *= 0.5
    return trial


@kernel
def next_change(p, s, table, h, changes, at_once):
    """(step h, changes of this interval so far and how many of the last ones at once) => time to the next change or h; the leg,
    -1 for none, 3 to decide anew; both counts.

    After too many at once the legs without current stay open for a moment, each time twice as long.
    """
    at, leg = first_change(p, s, table, h, False)
    if leg == NO_CHANGE:
        return at, leg, changes, 0
    least = LEAST_STEP_S if changes < MOST_CHANGES else h * 0.0625
    if at >= least:
        return at, leg, changes + 1, 0
    if at > 0.0 and at_once < MOST_AT_ONCE:
        return at, leg, changes + 1, at_once + 1
    at_once = max(at_once, MOST_AT_ONCE) + 1
    float_idle_legs(p, s, table)
    at, leg = first_change(p, s, table, min(h, least * 2.0 ** (at_once - MOST_AT_ONCE - 1)), True)
    return at, DECIDE_ANEW if leg == NO_CHANGE else leg, changes + 1, at_once


@kernel
def float_idle_legs(p, s, table):
    """(diodes that turn on and off without ever conducting) => open."""
    plant, legs = s.plant, s.legs
    a, b, c = slacks(p, s, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V, plant.supply_A)
    for leg in range(3):
        forward = a if leg == 0 else (b if leg == 1 else c)
        if legs.gate[leg] == 0 and legs.diode[leg] != 0 and forward <= NO_CURRENT_A:
            legs.diode[leg] = 0
    if s.drive.open_leg == FAULTY:
        set_faulty_legs(p.inverter, legs, s.drive)
    else:
        set_switched_legs(p.inverter, legs, s.drive, 0.0, 0.0, 0.0, 0.0)
