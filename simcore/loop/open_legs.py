"""Legs whose switches are both off: which diodes conduct, where a floating terminal lies, how far both are from changing.

A leg that carries current conducts by the diode of that direction.  Legs without make a complementarity problem: a diode is on
where it drives its current forward, off where its leg's free voltage lies between the rails; windings and rails are passive,
so that but for ties one combination fits.  A. van der Schaft, J. M. Schumacher, IEEE Trans. Autom. Control 43(4), 1998 (from
memory).  Checked: tests/inverter/test_switched_circuit.py, test_gates_off.py, test_diodes_and_link.py,
tests/reference/test_uncontrolled_generation.py.
"""

import math

from simcore.inverter.switched import set_switched_legs
from simcore.kernel import kernel
from simcore.plant.detail import terminal_currents
from simcore.plant.faulty_terminals import conductance, faulty_state
from simcore.plant.machine import incremental_inductances
from simcore.plant.open_terminals import current_slope, take_out_currents
from simcore.plant.rates import leg_law, rates
from simcore.plant.records import FAULTY, STIFF
from simcore.rotation import HALF_SQRT3

NO_CURRENT_A = 1e-9
DRIFT_A = 1e-4  # largest current that the solver's error may leave in an open leg
BACKWARD_A = 1e-6  # a diode's reverse current that is told
RAIL_V = 1e-6  # an open leg right at a rail stays open
MOST_TURN, MOST_SWING = 0.025, 0.1  # of a solver step [rad]


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
def faulty_legs(p, s, table, psi_d, psi_q, omega, theta, link_V):
    """As faulty_state; while nothing ties the machine to a rail, the extremes of the lines that hold reach both together."""
    drive, parted = s.drive, s.legs.parted
    va, vb, vc, ja, jb, jc, v_alpha, v_beta = faulty_state(p.machine, table, drive, psi_d, psi_q, omega, theta, link_V)
    if drive.tied[0] + drive.tied[1] + drive.tied[2] == 0:
        high, low = -1e300, 1e300
        for leg in range(3):
            if parted[leg] == 0:
                voltage = va if leg == 0 else (vb if leg == 1 else vc)
                high, low = max(high, voltage), min(low, voltage)
        if high >= low:
            shift = 0.5 * (link_V - high - low)
            va, vb, vc = va + shift, vb + shift, vc + shift
    return va, vb, vc, ja, jb, jc, v_alpha, v_beta


@kernel
def leg_voltages(p, s, table, psi_d, psi_q, omega, theta, link_V, supply_A):
    """(plant's state) => voltages of the legs a, b, c to the negative rail, v_alpha, v_beta; a leg without current floats at
    the voltage that keeps it so [V]."""
    drive, legs = s.drive, s.legs
    if drive.open_leg == FAULTY:
        va, vb, vc, _, _, _, v_alpha, v_beta = faulty_legs(p, s, table, psi_d, psi_q, omega, theta, link_V)
        return va, vb, vc, v_alpha, v_beta
    angle = p.machine.pole_pairs * theta
    k = rates(p.machine, p.shaft, p.link, drive, table, s.plant.stuck, psi_d, psi_q, omega, theta, math.sin(angle),
              math.cos(angle), link_V, supply_A, s.plant.omega_load, s.plant.twist)  # fmt: skip
    va, vb, vc = k[10], -0.5 * k[10] + HALF_SQRT3 * k[11], -0.5 * k[10] - HALF_SQRT3 * k[11]
    # Where nothing ties the machine to a rail the EMF's extremes reach both rails together.
    shift = 0.5 * (link_V - max(va, max(vb, vc)) - min(va, min(vb, vc)))
    for leg in range(3):
        if legs.gate[leg] != 0 or legs.diode[leg] != 0:
            tied, _ = leg_law(drive, leg, phase_current(leg, k[6], k[7], angle), link_V)
            shift = tied - (va if leg == 0 else (vb if leg == 1 else vc))
            break
    return va + shift, vb + shift, vc + shift, k[10], k[11]


@kernel
def between_rails(inverter, drive, leg, voltage, link_V):
    """(voltage of an open leg) => what it lacks to turn a diode on [V], below zero where it is beyond."""
    if drive.own_devices:
        return min(voltage + drive.diode_V[2 * leg + 1], link_V - voltage + drive.diode_V[2 * leg])
    return inverter.diode_threshold_V + min(voltage, link_V - voltage)


@kernel
def slacks(p, s, table, psi_d, psi_q, omega, theta, link_V, supply_A):
    """(plant's state) => how far each leg is from changing over, below zero where it has (see _slack)."""
    drive = s.drive
    if drive.open_leg == FAULTY:
        va, vb, vc, ia, ib, ic, _, _ = faulty_legs(p, s, table, psi_d, psi_q, omega, theta, link_V)
    else:
        va = vb = vc = 0.0
        if drive.open_leg >= 0:
            va, vb, vc, _, _ = leg_voltages(p, s, table, psi_d, psi_q, omega, theta, link_V, supply_A)
        id_A, iq_A = terminal_currents(p.machine, table, psi_d, psi_q, omega, theta)
        angle = p.machine.pole_pairs * theta
        ia, ib = phase_current(0, id_A, iq_A, angle), phase_current(1, id_A, iq_A, angle)
        ic = -ia - ib
    return (
        _slack(p, s, 0, ia, va, link_V),
        _slack(p, s, 1, ib, vb, link_V),
        _slack(p, s, 2, ic, vc, link_V),
    )


@kernel
def _slack(p, s, leg, current, voltage, link_V):
    """(leg, its current and voltage) => forward current of its diode [A], what its free voltage lacks to turn a diode on [V],
    or what is left of the current after which an opened line parts [A]; 1 where nothing can change."""
    legs = s.legs
    if legs.parted[leg]:
        return 1.0
    if legs.gate[leg] != 0:
        return legs.line_sign[leg] * current if p.inverter.faults.phase_open[leg] else 1.0
    if legs.diode[leg] != 0:
        return -current if legs.diode[leg] > 0 else current  # lower diode: current out of the leg
    return between_rails(p.inverter, s.drive, leg, voltage, link_V) + 2.0 * RAIL_V


@kernel
def idle_legs(p, s, table):
    """(gates, currents) => bits of the legs whose diodes must be found; the others' follow from their currents.

    What is left in a leg without current, the solver's error, is taken out of the windings.
    """
    plant, legs, drive = s.plant, s.legs, s.drive
    id_A, iq_A = terminal_currents(p.machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    angle = p.machine.pole_pairs * plant.theta
    idle, rest = 0, 0
    for leg in range(3):
        attached = conductance(drive, leg) > 0.0
        current = phase_current(leg, id_A, iq_A, angle)
        if legs.parted[leg]:
            legs.diode[leg] = 0
            if not attached and abs(current) <= DRIFT_A:
                rest |= 1 << leg
        elif legs.gate[leg] == 0:
            if attached:
                idle |= 1 << leg
            elif abs(current) <= (DRIFT_A if legs.diode[leg] == 0 else NO_CURRENT_A):
                idle |= 1 << leg
                rest |= 1 << leg
            else:
                legs.diode[leg] = -1 if current > 0.0 else 1
    if rest == 3 or rest == 5 or rest == 6:
        rest = 7  # the currents' sum is zero: the third carries none either
        for leg in range(3):
            if legs.gate[leg] == 0 and legs.parted[leg] == 0:
                idle |= 1 << leg
    if rest != 0:
        take_out_currents(p.machine, table, plant, rest)
    return idle


@kernel
def try_diodes(legs, idle, trial, count):
    """(bits of the legs in question, number of a combination 0 .. 26, how many diodes are to be on) => each of their diodes
    off, upper or lower on; False where that is no such combination."""
    rest = trial
    for leg in range(3):
        if idle & (1 << leg):
            count -= 1 if rest % 3 != 0 else 0
            rest //= 3
    if rest != 0 or count != 0:
        return False
    for leg in range(3):
        if idle & (1 << leg):
            legs.diode[leg] = trial % 3 if trial % 3 < 2 else -1
            trial //= 3
    return True


@kernel
def decide_open_legs(p, s, table):
    """(legs with both switches off) => those without current stay open, or turn on the diodes that their voltages ask for.

    Decided anew whenever anything switches: a diode that carries nothing yet must not stay on by an earlier decision.  Fewest
    diodes first, so that a tie leaves a leg open; where rounding lets none fit, the combination that lacks least.
    """
    legs, drive = s.legs, s.drive
    if legs.gate[0] != 0 and legs.gate[1] != 0 and legs.gate[2] != 0:
        set_switched_legs(p.inverter, legs, drive, 0.0, 0.0, 0.0, 0.0)
        return
    idle = idle_legs(p, s, table)
    best, best_count, most = 0, 0, -1e300
    if idle != 0:
        for count in range(4):
            for trial in range(27):
                if not try_diodes(legs, idle, trial, count):
                    continue
                set_switched_legs(p.inverter, legs, drive, 0.0, 0.0, 0.0, 0.0)
                fit = _fit(p, s, table, idle)
                if fit >= 0.0:
                    return
                if fit > most:
                    best, best_count, most = trial, count, fit
        try_diodes(legs, idle, best, best_count)
    set_switched_legs(p.inverter, legs, drive, 0.0, 0.0, 0.0, 0.0)


@kernel
def _fit(p, s, table, idle):
    """(diodes as tried, bits of the legs in question) => below zero what the worst of them lacks to fit [V]."""
    plant, legs = s.plant, s.legs
    va, vb, vc, v_alpha, v_beta = leg_voltages(
        p, s, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V, plant.supply_A
    )
    least = 1e300
    for leg in range(3):
        if idle & (1 << leg) == 0:
            continue
        if legs.diode[leg] == 0:
            voltage = va if leg == 0 else (vb if leg == 1 else vc)
            least = min(least, between_rails(p.inverter, s.drive, leg, voltage, plant.link_V) + RAIL_V)
        else:
            least = min(least, begins_with(p, s, table, leg, legs.diode[leg], v_alpha, v_beta))
    return least


@kernel
def begins_with(p, s, table, leg, diode, v_alpha, v_beta):
    """(leg without current, its diode, machine's voltage) => volts that drive a current forward through it, below zero where
    none."""
    plant, machine = s.plant, p.machine
    angle = machine.pole_pairs * plant.theta
    slope, by_volt = current_slope(machine, table, leg, plant.psi_d, plant.psi_q, plant.omega, plant.theta, math.sin(angle),
                                   math.cos(angle), v_alpha, v_beta)  # fmt: skip
    volts = -diode * slope / by_volt  # the upper diode takes current into the leg
    return volts if volts > 0.0 else volts - RAIL_V


@kernel
def solver_step_s(p, s, table):
    """(legs, of which some have both switches off) => solver step: short against a turn of the rotor and a swing of windings
    and link capacitor, for light conduction is a small difference of large voltages."""
    step, plant, machine = p.clock.solver_step_s, s.plant, p.machine
    step = min(step, MOST_TURN / max(abs(machine.pole_pairs * plant.omega), 1e-9))
    if p.link.kind != STIFF:
        id_A, iq_A = terminal_currents(machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
        l_dd, _, _, l_qq = incremental_inductances(machine, table, id_A, iq_A)
        step = min(step, MOST_SWING * math.sqrt(p.link.capacitance_F * max(min(l_dd, l_qq), 1e-9)))
    return step


@kernel
def note_backward(p, s, table):
    """(state after a step) => the largest current that a diode carried against its direction is kept [A]."""
    plant, legs = s.plant, s.legs
    one, two, three = slacks(p, s, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V, plant.supply_A)
    for leg in range(3):
        slack = one if leg == 0 else (two if leg == 1 else three)
        if legs.gate[leg] == 0 and legs.diode[leg] != 0 and -slack > max(legs.backward_A, BACKWARD_A):
            legs.backward_A = -slack
