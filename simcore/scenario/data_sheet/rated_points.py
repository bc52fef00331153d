"""Rated points of a machine with constant inductances: torque at a current, voltage at a speed, and the magnet that fits.

A rated current is taken where it gives most torque (maximum torque per ampere), so the reluctance torque is included.
Currents and voltages are phase peak of the equivalent star, speeds mechanical. Pure functions.
Source: Morimoto, Takeda, Hirasa, Taniguchi, IEEE Trans. Ind. Appl. 26(5), 1990 (from memory); the inverse is derived here.
Checked: tests/scenario/test_rated_points.py.
"""

import math

from simcore.scenario.data_sheet.winding_bases import SQRT3


def best_currents(magnet_flux_Wb, inductance_d_H, inductance_q_H, current_A):
    """(machine, current [A]) => id, iq of most torque at that current."""
    saliency = inductance_q_H - inductance_d_H
    # Written without a difference of nearly equal numbers; a saliency of either sign.
    root = math.hypot(magnet_flux_Wb, math.sqrt(8.0) * saliency * current_A)
    id_A = -2.0 * saliency * current_A**2 / (magnet_flux_Wb + root) if root > 0.0 else 0.0
    return id_A, math.sqrt(max(current_A**2 - id_A**2, 0.0))


def best_torque(pole_pairs, magnet_flux_Wb, inductance_d_H, inductance_q_H, current_A):
    """(machine, current [A]) => most torque at that current [Nm]."""
    id_A, iq_A = best_currents(magnet_flux_Wb, inductance_d_H, inductance_q_H, current_A)
    return 1.5 * pole_pairs * (magnet_flux_Wb + (inductance_d_H - inductance_q_H) * id_A) * iq_A


def flux_of_torque(pole_pairs, inductance_d_H, inductance_q_H, current_A, torque_Nm):
    """(machine without its magnet, current [A], torque [Nm]) => magnet flux [Wb] with which that torque is the most.

    nan where the reluctance torque alone is more. With b the angle of the current from the q axis and k = |Lq - Ld|:
    psi = k i cos(2b)/sin(b) and T/(1.5 p) = k i^2 cos(b)^3/sin(b), so t = tan(b) solves t^3 + t = 1.5 p k i^2/T.
    """
    saliency = abs(inductance_q_H - inductance_d_H) * current_A
    share = saliency * current_A * 1.5 * pole_pairs / torque_Nm
    if share < 1e-9:
        return torque_Nm / (1.5 * pole_pairs * current_A)
    t = 2.0 / SQRT3 * math.sinh(math.asinh(1.5 * SQRT3 * share) / 3.0)
    if t > 1.0 + 1e-9:
        return math.nan
    return saliency * max(1.0 - t * t, 0.0) / (t * math.sqrt(1.0 + t * t))


def voltage_at(pole_pairs, resistance_ohm, inductance_d_H, inductance_q_H, magnet_flux_Wb, current_A, speed_rad_s):
    """(machine, current [A] at most torque, mechanical speed [rad/s]) => phase voltage [V, peak], motoring."""
    omega_e = pole_pairs * speed_rad_s
    id_A, iq_A = best_currents(magnet_flux_Wb, inductance_d_H, inductance_q_H, current_A)
    vd_V = resistance_ohm * id_A - omega_e * inductance_q_H * iq_A
    vq_V = resistance_ohm * iq_A + omega_e * (magnet_flux_Wb + inductance_d_H * id_A)
    return math.hypot(vd_V, vq_V)


def flux_of_voltage(pole_pairs, resistance_ohm, inductance_d_H, inductance_q_H, current_A, speed_rad_s, voltage_V):
    """(machine without its magnet, rated current, speed, phase voltage) => magnet flux [Wb] that needs just that voltage.

    nan where the voltage does not do without any magnet. Bisection: the voltage rises with the magnet.
    """

    def needs(flux):
        return voltage_at(
            pole_pairs, resistance_ohm, inductance_d_H, inductance_q_H, flux, current_A, speed_rad_s
        )  # fmt: skip

    low, high = 0.0, voltage_V / (pole_pairs * speed_rad_s) + inductance_d_H * current_A
    if not needs(low) <= voltage_V <= needs(high):
        return math.nan
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if needs(middle) <= voltage_V else (low, middle)
    return 0.5 * (low + high)
