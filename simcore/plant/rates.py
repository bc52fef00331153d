"""The whole plant's derivative and its Runge-Kutta step.

State x = (psi_d, psi_q [Wb], omega [rad/s], theta [rad], link_V [V], supply_A [A], speed of a second mass, twist); the leg
voltages are held in the stator frame and rotated at every stage.  Method: classical fourth-order Runge-Kutta, W. Kutta 1901
(from memory); energies are integrated by the same quadrature, so the audit shows the step's own error.
Checked: tests/reference/test_solver.py.
"""

import math

from simcore.kernel import inlined, kernel
from simcore.plant.detail import air_gap_torque, detailed, harmonic_flux
from simcore.plant.faulty_terminals import faulty_terminals
from simcore.plant.link import LEAST_LINK_V, link_rates, supply_current
from simcore.plant.machine import currents, flux_rates, torque
from simcore.plant.open_terminals import open_leg_voltage, open_terminal_voltage
from simcore.plant.records import CAPACITOR_AND_CHOKE, FAULTY, RIG, TWO_MASS
from simcore.plant.shaft import settle_friction, shaft_rates
from simcore.rotation import HALF_SQRT3, INV_SQRT3, turn

# Gauss-Legendre on 0..1: middle and two sides.
GAUSS_AT = 0.5 * math.sqrt(0.6)
NO_CROSSING, AT_REST, LOAD_AT_REST, NO_SUPPLY = 0, 1, 2, 3
GAUSS_MIDDLE, GAUSS_SIDE = 4.0 / 9.0, 5.0 / 18.0


@inlined
def leg_law(drive, leg, current_A, link_V):
    """(leg index, its current [A], link voltage [V]) => leg voltage to the negative rail [V], effective duty.

    v = (u - e sigma) Vdc - (a0 + a1 sigma) sigma - (r0 + r1 sigma) i with the smoothed current sign
    sigma = i / sqrt(i^2 + band^2), known where a diode conducts; e is the dead-time error, a and r the device drop
    (inverter/legs.py).  u - e sigma ends at 0 and 1: a dead time longer than the pulse takes the pulse, not more.
    """
    sigma = drive.diode_sign[leg] * 1.0
    if drive.diode_sign[leg] == 0:
        sigma = current_A / math.sqrt(current_A * current_A + drive.sign_band2_A2)
    share = min(max(drive.u[leg] - drive.dead_error[leg] * sigma, 0.0), 1.0)
    drop = (drive.threshold_V[leg] + drive.threshold_skew_V[leg] * sigma) * sigma
    drop += (drive.slope_ohm[leg] + drive.slope_skew_ohm[leg] * sigma) * current_A
    return share * link_V - drop, share


@inlined
def rates(machine, shaft, link, drive, table, stuck, psi_d, psi_q, omega, theta, sine, cosine, link_V, supply_A, omega_load,
          twist):  # fmt: skip
    """(state, sine and cosine of the electrical angle, interval) => d/dt of the first six states, then id, iq, vd, vq, v_alpha,
    v_beta, torque, supply current, link current, d/dt of omega_load and twist, iron loss, loss in gear or elastic shaft,
    viscous power [W]."""
    omega_e = machine.pole_pairs * omega
    g, torque_Nm = 0.0, 0.0
    if machine.detail:
        id_A, iq_A, torque_Nm, g, _, _ = detailed(machine, table, psi_d, psi_q, omega, theta)
    else:
        id_A, iq_A = currents(machine, table, psi_d, psi_q)
        torque_Nm = torque(machine, psi_d, psi_q, id_A, iq_A)
    i_alpha = cosine * id_A - sine * iq_A
    i_beta = sine * id_A + cosine * iq_A
    if drive.ideal:
        v_alpha = drive.u_alpha * link_V
        v_beta = drive.u_beta * link_V
        link_A = 1.5 * (drive.u_alpha * i_alpha + drive.u_beta * i_beta)
    else:
        ia = i_alpha
        ib = -0.5 * i_alpha + HALF_SQRT3 * i_beta
        ic = -0.5 * i_alpha - HALF_SQRT3 * i_beta
        va, share_a = leg_law(drive, 0, ia, link_V)
        vb, share_b = leg_law(drive, 1, ib, link_V)
        vc, share_c = leg_law(drive, 2, ic, link_V)
        v_alpha = (2.0 * va - vb - vc) * (1.0 / 3.0)
        v_beta = (vb - vc) * INV_SQRT3
        link_A = share_a * ia + share_b * ib + share_c * ic
    if drive.open_leg >= 0:
        if drive.open_leg == 3:
            vd, vq = open_terminal_voltage(machine, table, psi_d, psi_q, omega, theta)
            v_alpha = cosine * vd - sine * vq
            v_beta = sine * vd + cosine * vq
        elif drive.open_leg == FAULTY:
            _, _, _, v_alpha, v_beta, link_A = faulty_terminals(
                machine, table, drive, psi_d, psi_q, omega, theta, sine, cosine, i_alpha, i_beta, link_V
            )
        else:
            v_alpha, v_beta = open_leg_voltage(
                machine, table, drive.open_leg, psi_d, psi_q, omega, theta, sine, cosine, v_alpha, v_beta
            )
    if drive.loss_W > 0.0:
        link_A += drive.loss_W / max(link_V, LEAST_LINK_V)
    vd = cosine * v_alpha + sine * v_beta
    vq = -sine * v_alpha + cosine * v_beta
    rate_d, rate_q = flux_rates(machine, psi_d, psi_q, id_A, iq_A, vd, vq, omega_e)
    iron_W = 0.0
    if machine.detail:
        induced_d, induced_q = vd - machine.resistance_ohm * id_A, vq - machine.resistance_ohm * iq_A
        iron_W = 1.5 * g * (induced_q * psi_d - induced_d * psi_q)
    acceleration, load_rate, shaft_W, viscous_W = shaft_rates(shaft, drive, stuck, omega, omega_load, twist, torque_Nm)
    supply_now = supply_current(link, drive, link_V, supply_A, link_A)
    rate_link, rate_supply = link_rates(link, drive, link_V, supply_now, link_A)
    return (
        rate_d, rate_q, acceleration, omega, rate_link, rate_supply,
        id_A, iq_A, vd, vq, v_alpha, v_beta, torque_Nm, supply_now, link_A,
        load_rate, omega - omega_load, iron_W, shaft_W, viscous_W,
    )  # fmt: skip


@inlined
def quadrature(machine, link, drive, omega, link_V, k):
    """(one stage) => integrands of records.SUMS that need an integral of their own."""
    copper = 1.5 * machine.resistance_ohm * (k[6] * k[6] + k[7] * k[7])
    terminal = 1.5 * (k[8] * k[6] + k[9] * k[7])
    return (
        k[8], k[9], k[10], k[11], k[14], k[13], link.resistance_ohm * k[13] * k[13],
        k[14] * link_V, terminal, copper, k[12] * omega, k[19], k[17], k[18], drive.chopper_S * link_V * link_V,
    )  # fmt: skip


@kernel
def rk4(machine, shaft, link, drive, table, plant, h):
    """(state, step h [s]) => the first six states after the step, the twelve first integrals over the step (quadrature order),
    then omega_load and twist after the step and the other integrals."""
    psi_d, psi_q, omega, theta, link_V, supply_A = (
        plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V, plant.supply_A,
    )  # fmt: skip
    load, twist, stuck = plant.omega_load, plant.twist, plant.stuck
    half = 0.5 * h
    p = machine.pole_pairs
    sine, cosine = math.sin(p * theta), math.cos(p * theta)
    k1 = rates(machine, shaft, link, drive, table, stuck, psi_d, psi_q, omega, theta, sine, cosine, link_V, supply_A, load,
               twist)  # fmt: skip
    q1 = quadrature(machine, link, drive, omega, link_V, k1)
    w, u = omega + half * k1[2], link_V + half * k1[4]
    s2, c2 = turn(sine, cosine, p * half * k1[3])
    k2 = rates(machine, shaft, link, drive, table, stuck, psi_d + half * k1[0], psi_q + half * k1[1], w, theta + half * k1[3],
               s2, c2, u, supply_A + half * k1[5], load + half * k1[15], twist + half * k1[16])  # fmt: skip
    q2 = quadrature(machine, link, drive, w, u, k2)
    w, u = omega + half * k2[2], link_V + half * k2[4]
    s3, c3 = turn(sine, cosine, p * half * k2[3])
    k3 = rates(machine, shaft, link, drive, table, stuck, psi_d + half * k2[0], psi_q + half * k2[1], w, theta + half * k2[3],
               s3, c3, u, supply_A + half * k2[5], load + half * k2[15], twist + half * k2[16])  # fmt: skip
    q3 = quadrature(machine, link, drive, w, u, k3)
    w, u = omega + h * k3[2], link_V + h * k3[4]
    s4, c4 = turn(sine, cosine, p * h * k3[3])
    k4 = rates(machine, shaft, link, drive, table, stuck, psi_d + h * k3[0], psi_q + h * k3[1], w, theta + h * k3[3],
               s4, c4, u, supply_A + h * k3[5], load + h * k3[15], twist + h * k3[16])  # fmt: skip
    q4 = quadrature(machine, link, drive, w, u, k4)
    s = h / 6.0
    return (
        psi_d + s * (k1[0] + 2.0 * (k2[0] + k3[0]) + k4[0]),
        psi_q + s * (k1[1] + 2.0 * (k2[1] + k3[1]) + k4[1]),
        omega + s * (k1[2] + 2.0 * (k2[2] + k3[2]) + k4[2]),
        theta + s * (k1[3] + 2.0 * (k2[3] + k3[3]) + k4[3]),
        link_V + s * (k1[4] + 2.0 * (k2[4] + k3[4]) + k4[4]),
        supply_A + s * (k1[5] + 2.0 * (k2[5] + k3[5]) + k4[5]),
        s * (q1[0] + 2.0 * (q2[0] + q3[0]) + q4[0]),
        s * (q1[1] + 2.0 * (q2[1] + q3[1]) + q4[1]),
        s * (q1[2] + 2.0 * (q2[2] + q3[2]) + q4[2]),
        s * (q1[3] + 2.0 * (q2[3] + q3[3]) + q4[3]),
        s * (q1[4] + 2.0 * (q2[4] + q3[4]) + q4[4]),
        s * (q1[5] + 2.0 * (q2[5] + q3[5]) + q4[5]),
        s * (q1[6] + 2.0 * (q2[6] + q3[6]) + q4[6]),
        s * (q1[7] + 2.0 * (q2[7] + q3[7]) + q4[7]),
        s * (q1[8] + 2.0 * (q2[8] + q3[8]) + q4[8]),
        s * (q1[9] + 2.0 * (q2[9] + q3[9]) + q4[9]),
        s * (q1[10] + 2.0 * (q2[10] + q3[10]) + q4[10]),
        s * (q1[11] + 2.0 * (q2[11] + q3[11]) + q4[11]),
        load + s * (k1[15] + 2.0 * (k2[15] + k3[15]) + k4[15]),
        twist + s * (k1[16] + 2.0 * (k2[16] + k3[16]) + k4[16]),
        s * (q1[12] + 2.0 * (q2[12] + q3[12]) + q4[12]),
        s * (q1[13] + 2.0 * (q2[13] + q3[13]) + q4[13]),
        s * (q1[14] + 2.0 * (q2[14] + q3[14]) + q4[14]),
    )


@kernel
def map_energy(machine, table, psi_d, psi_q, to_d, to_q):
    """(flux linkages [Wb] at both ends of a step) => magnetic energy taken up in between [J].

    1.5 (id dpsi_d + iq dpsi_q) along the chord, by Gauss-Legendre with three points: from the solution's states alone, so that
    the audit shows the solver's error.  Checked: tests/reference/test_invariants.py.
    """
    step_d, step_q = to_d - psi_d, to_q - psi_q
    energy = 0.0
    for point in range(3):
        place = 0.5 + (point - 1) * GAUSS_AT
        weight = GAUSS_MIDDLE if point == 1 else GAUSS_SIDE
        id_A, iq_A = currents(machine, table, psi_d + place * step_d, psi_q + place * step_q)
        energy += weight * (id_A * step_d + iq_A * step_q)
    return 1.5 * energy


@inlined
def commit(machine, table, shaft, plant, drive, sums, x):
    """(result of rk4) => plant and sums updated in place."""
    turned = x[3] - plant.theta
    if machine.use_map:
        sums.magnetic_J += taken_up(machine, table, plant, x)
    if shaft.kind == TWO_MASS:
        turned -= x[19] - plant.twist
        plant.omega_load, plant.twist = x[18], x[19]
    plant.psi_d, plant.psi_q, plant.omega, plant.theta, plant.link_V, plant.supply_A = x[0], x[1], x[2], x[3], x[4], x[5]
    if plant.link_V < 0.0:
        sums.below_V2 += plant.link_V * plant.link_V
        plant.link_V = 0.0
    sums.vd += x[6]
    sums.vq += x[7]
    sums.v_alpha += x[8]
    sums.v_beta += x[9]
    sums.link_C += x[10]
    sums.supply_C += x[11]
    sums.supply_J += (drive.source_V + drive.polarisation_V) * x[11]
    sums.supply_loss_J += x[12]
    sums.link_J += x[13]
    sums.terminal_J += x[14]
    sums.copper_J += x[15]
    sums.shaft_J += x[16]
    sums.iron_J += x[20]
    sums.chopper_J += x[22]
    if shaft.kind != RIG:
        sums.viscous_J += x[17]
        sums.coulomb_J += drive.friction_Nm * turned
        sums.load_J += drive.load_torque_Nm * turned
        sums.shaft_loss_J += x[21]


@kernel
def taken_up(machine, table, plant, x):
    """(result of rk4) => magnetic energy that a flux map took up in the step [J]; flux harmonics turn with the rotor and are
    taken off at both ends."""
    if machine.detail:
        from_d, from_q, _, _ = harmonic_flux(machine, plant.theta)
        to_d, to_q, _, _ = harmonic_flux(machine, x[3])
        return map_energy(machine, table, plant.psi_d - from_d, plant.psi_q - from_q, x[0] - to_d, x[1] - to_q)
    return map_energy(machine, table, plant.psi_d, plant.psi_q, x[0], x[1])


@inlined
def step_plant(machine, shaft, link, drive, table, plant, sums, h):
    """(state, interval conditions, step h [s]) => state after h.

    A shaft with dry friction that passes standstill stops there first; so does a rectifier's current at zero.
    """
    x = rk4(machine, shaft, link, drive, table, plant, h)
    if shaft.stiction_Nm == 0.0 and link.one_way == 0:
        commit(machine, table, shaft, plant, drive, sums, x)
    elif first_crossing(shaft, link, drive, plant, x) == NO_CROSSING:
        commit(machine, table, shaft, plant, drive, sums, x)
    else:
        stop_on_the_way(machine, shaft, link, drive, table, plant, sums, h)


@kernel
def crossing_value(which, link, drive, omega, omega_load, link_V, supply_A):
    """(kind of crossing, state) => what passes through zero: a speed, or what drives a rectifier's current."""
    if which == AT_REST:
        return omega
    if which == LOAD_AT_REST:
        return omega_load
    return supply_A if link.kind == CAPACITOR_AND_CHOKE else drive.source_V - link_V


@kernel
def first_crossing(shaft, link, drive, plant, x):
    """(state, result of rk4) => what lies in the step: standstill or the end of a rectifier's current, the earlier by chord."""
    which, share = NO_CROSSING, 2.0
    if shaft.stiction_Nm > 0.0:
        if shaft.kind == TWO_MASS:
            if plant.omega_load * x[18] < 0.0:
                which, share = LOAD_AT_REST, plant.omega_load / (plant.omega_load - x[18])
        elif plant.omega * x[2] < 0.0:
            which, share = AT_REST, plant.omega / (plant.omega - x[2])
    if link.one_way and drive.blocked == 0:
        before = crossing_value(NO_SUPPLY, link, drive, 0.0, 0.0, plant.link_V, plant.supply_A)
        after = crossing_value(NO_SUPPLY, link, drive, 0.0, 0.0, x[4], x[5])
        if before > 0.0 and after < 0.0 and before / (before - after) < share:
            which = NO_SUPPLY
    return which


@kernel
def stop_on_the_way(machine, shaft, link, drive, table, plant, sums, h):
    """(state, step h [s]) => state after h, with standstill or the end of the rectifier's current in between.

    The instant is found by regula falsi (Illinois); the rest of the step starts from there.
    """
    rest = h
    for _ in range(4):
        x = rk4(machine, shaft, link, drive, table, plant, rest)
        which = first_crossing(shaft, link, drive, plant, x)
        if which == NO_CROSSING:
            break
        before = crossing_value(which, link, drive, plant.omega, plant.omega_load, plant.link_V, plant.supply_A)
        low, high, f_low = 0.0, rest, before
        f_high = crossing_value(which, link, drive, x[2], x[18], x[4], x[5])
        trial = rest
        for _ in range(60):
            trial = (low * f_high - high * f_low) / (f_high - f_low)
            x = rk4(machine, shaft, link, drive, table, plant, trial)
            value = crossing_value(which, link, drive, x[2], x[18], x[4], x[5])
            if abs(value) <= 1e-13 * abs(before) or high - low < 1e-18:
                break
            if value * f_high > 0.0:
                high, f_high = trial, value
                f_low *= 0.5
            else:
                low, f_low = trial, value
                f_high *= 0.5
        commit(machine, table, shaft, plant, drive, sums, x)
        if which == AT_REST:
            plant.omega = 0.0
        elif which == LOAD_AT_REST:
            plant.omega_load = 0.0
        else:
            drive.blocked = 1
            if link.kind == CAPACITOR_AND_CHOKE:
                plant.supply_A = 0.0
        settle_at_rest(machine, shaft, drive, table, plant)
        rest -= trial
        if rest <= 0.0:
            return
        x = rk4(machine, shaft, link, drive, table, plant, rest)
    commit(machine, table, shaft, plant, drive, sums, x)


@kernel
def settle_at_rest(machine, shaft, drive, table, plant):
    """(state) => stuck or not and the friction's sign, from the torque that acts now."""
    torque_Nm = 0.0
    if plant.omega == 0.0:
        torque_Nm = air_gap_torque(machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
    settle_friction(shaft, drive, plant, torque_Nm)
