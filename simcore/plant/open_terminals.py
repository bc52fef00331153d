"""Terminals that carry no current: the voltage that keeps it so, and how a current would move otherwise.

An open leg moves the voltage along its own axis only: v = v0 + x e, with x from e . d i_stator/dt = 0.  Derived here from the
voltage equations.  Checked: tests/inverter/test_switched_circuit.py, test_gates_off.py.
"""

import math

from simcore.kernel import kernel
from simcore.plant.detail import detailed, iron_conductance, terminal_currents
from simcore.plant.machine import currents, flux_rates, incremental_inductances
from simcore.rotation import HALF_SQRT3


@kernel
def axis_of(leg):
    """(leg) => its phase's axis in the stator frame."""
    if leg == 0:
        return 1.0, 0.0
    return -0.5, HALF_SQRT3 if leg == 1 else -HALF_SQRT3


@kernel
def current_slope(machine, table, leg, psi_d, psi_q, omega, theta, sine, cosine, v_alpha, v_beta):
    """(terminal voltage in the stator frame) => d i/dt of the leg's phase, and that by a volt along its axis; both times the
    determinant of the inductances.

    e . (L^-1 (rate - omega slope) + g J rate + omega J i) with the iron's conductance g (plant/detail.py).
    """
    e_alpha, e_beta = axis_of(leg)
    omega_e = machine.pole_pairs * omega
    ed = cosine * e_alpha + sine * e_beta
    eq = -sine * e_alpha + cosine * e_beta
    vd = cosine * v_alpha + sine * v_beta
    vq = -sine * v_alpha + cosine * v_beta
    g, slope_d, slope_q = 0.0, 0.0, 0.0
    if machine.detail:
        id_A, iq_A, _, g, slope_d, slope_q = detailed(machine, table, psi_d, psi_q, omega, theta)
    else:
        id_A, iq_A = currents(machine, table, psi_d, psi_q)
    rate_d, rate_q = flux_rates(machine, psi_d, psi_q, id_A, iq_A, vd, vq, omega_e)
    l_dd, l_dq, l_qd, l_qq = incremental_inductances(machine, table, id_A + g * psi_q, iq_A - g * psi_d)
    determinant = l_dd * l_qq - l_dq * l_qd
    turned_d, turned_q = rate_d - omega_e * slope_d, rate_q - omega_e * slope_q
    driven = ed * (l_qq * turned_d - l_dq * turned_q) + eq * (l_dd * turned_q - l_qd * turned_d)
    driven += determinant * (omega_e * (eq * id_A - ed * iq_A) + g * (eq * rate_d - ed * rate_q))
    return driven, ed * (l_qq * ed - l_dq * eq) + eq * (l_dd * eq - l_qd * ed)


@kernel
def open_leg_voltage(machine, table, leg, psi_d, psi_q, omega, theta, sine, cosine, v_alpha, v_beta):
    """(terminal voltage from the conducting legs) => the stator-frame voltage that keeps the open leg's current where it is."""
    e_alpha, e_beta = axis_of(leg)
    along = v_alpha * e_alpha + v_beta * e_beta
    v_alpha -= along * e_alpha
    v_beta -= along * e_beta
    driven, gain = current_slope(machine, table, leg, psi_d, psi_q, omega, theta, sine, cosine, v_alpha, v_beta)
    x = -driven / gain
    return v_alpha + x * e_alpha, v_beta + x * e_beta


@kernel
def open_terminal_voltage(machine, table, psi_d, psi_q, omega, theta):
    """(state) => vd, vq that keep every current where it is: the resistive drop and the induced voltage of a flux at rest."""
    omega_e = machine.pole_pairs * omega
    if machine.detail:
        id_A, iq_A, _, _, slope_d, slope_q = detailed(machine, table, psi_d, psi_q, omega, theta)
        vd = machine.resistance_ohm * id_A + omega_e * (slope_d - psi_q)
        return vd, machine.resistance_ohm * iq_A + omega_e * (slope_q + psi_d)
    id_A, iq_A = currents(machine, table, psi_d, psi_q)
    return machine.resistance_ohm * id_A - omega_e * psi_q, machine.resistance_ohm * iq_A + omega_e * psi_d


@kernel
def take_out_currents(machine, table, plant, which):
    """(bits of the phases that carry no current; 7: all) => flux linkages moved so that what is left there is gone.

    Meant for the solver's own error, some 1e-9 of the other currents; by the incremental inductances, twice.
    """
    angle = machine.pole_pairs * plant.theta
    sine, cosine = math.sin(angle), math.cos(angle)
    for _ in range(2):
        id_A, iq_A = terminal_currents(machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
        if which != 7:
            e_alpha, e_beta = axis_of(0 if which == 1 else (1 if which == 2 else 2))
            ed, eq = cosine * e_alpha + sine * e_beta, cosine * e_beta - sine * e_alpha
            along = ed * id_A + eq * iq_A
            id_A, iq_A = along * ed, along * eq
        if abs(id_A) + abs(iq_A) < 1e-13:
            return
        g = iron_conductance(machine, machine.pole_pairs * plant.omega) if machine.detail else 0.0
        at_d, at_q = terminal_currents(machine, table, plant.psi_d, plant.psi_q, plant.omega, plant.theta)
        l_dd, l_dq, l_qd, l_qq = incremental_inductances(
            machine, table, at_d + g * plant.psi_q, at_q - g * plant.psi_d
        )
        plant.psi_d -= l_dd * id_A + l_dq * iq_A
        plant.psi_q -= l_qd * id_A + l_qq * iq_A
