"""What a machine shows beyond flux linkages and resistance: iron loss, EMF harmonics, cogging torque.

Iron loss: a conductance across the induced voltage omega psi, of which eddy currents give a constant part and hysteresis
one that falls with 1/omega (P = 1.5 (omega psi)^2 (eddy + hysteresis/omega)): C. P. Steinmetz 1892 for hysteresis, classical
eddy loss (both from memory).  The current through it, i_c = g J psi with g = eddy omega + hysteresis sign(omega), comes on
top of the magnetising current: terminal = magnetising + i_c; torque is made by the magnetising current alone.  The
transformer part d psi/dt is left out of the conductance's voltage, so that open terminals stay an algebraic condition.
EMF harmonics: a harmonic psi_n cos(n theta + phi) of phase a's magnet flux turns at n - 1 (n = 1 mod 3) or -(n + 1)
(n = 2 mod 3) in the rotor frame; triplen ones make no current without a neutral.
Torque from the co-energy at constant stator currents: 1.5 p (psi x i + d delta/d theta . i) + cogging (derived here).
Checked: tests/plant/test_detail.py.
"""

import math

from simcore.kernel import inlined, kernel
from simcore.plant.machine import currents, torque


@kernel
def harmonic_flux(machine, theta):
    """(mechanical angle [rad]) => magnet flux harmonics d, q [Wb] and their derivatives by the electrical angle."""
    delta_d, delta_q, slope_d, slope_q = 0.0, 0.0, 0.0, 0.0
    angle = machine.pole_pairs * theta
    for index in range(machine.emf_count):
        order = machine.emf_order[index]
        at = order * angle + machine.emf_phase_rad[index]
        along_d = machine.emf_flux_Wb[index] * math.cos(at)
        along_q = machine.emf_flux_Wb[index] * math.sin(at)
        delta_d += along_d
        delta_q += along_q
        slope_d -= order * along_q
        slope_q += order * along_d
    return delta_d, delta_q, slope_d, slope_q


@kernel
def cogging_torque(machine, theta):
    """(mechanical angle [rad]) => cogging torque [Nm]: the sum of T_n sin(n theta + phi_n)."""
    torque_Nm = 0.0
    for index in range(machine.cogging_count):
        at = machine.cogging_order[index] * theta + machine.cogging_phase_rad[index]
        torque_Nm += machine.cogging_Nm[index] * math.sin(at)
    return torque_Nm


@kernel
def iron_conductance(machine, omega_e):
    """(electrical speed [rad/s]) => g [A/Wb]: iron current over flux linkage, a quarter turn ahead of it in motion."""
    band = machine.hysteresis_band_rad_s
    sign = omega_e / math.sqrt(omega_e * omega_e + band * band) if band > 0.0 else 0.0
    return machine.eddy_S * omega_e + machine.hysteresis_A_per_Wb * sign


@kernel
def detailed(machine, table, psi_d, psi_q, omega, theta):
    """(flux linkages [Wb], mechanical speed and angle) => terminal id, iq [A], torque [Nm], g [A/Wb], and the derivatives of
    the harmonic flux by the electrical angle [Wb]."""
    delta_d, delta_q, slope_d, slope_q = harmonic_flux(machine, theta)
    id_A, iq_A = currents(machine, table, psi_d - delta_d, psi_q - delta_q)
    torque_Nm = torque(machine, psi_d, psi_q, id_A, iq_A)
    torque_Nm += 1.5 * machine.pole_pairs * (slope_d * id_A + slope_q * iq_A) + cogging_torque(machine, theta)
    g = iron_conductance(machine, machine.pole_pairs * omega)
    return id_A - g * psi_q, iq_A + g * psi_d, torque_Nm, g, slope_d, slope_q


@inlined
def terminal_currents(machine, table, psi_d, psi_q, omega, theta):
    """(flux linkages [Wb], mechanical speed and angle) => terminal id, iq [A]."""
    if machine.detail:
        id_A, iq_A, _, _, _, _ = detailed(machine, table, psi_d, psi_q, omega, theta)
        return id_A, iq_A
    return currents(machine, table, psi_d, psi_q)


@kernel
def air_gap_torque(machine, table, psi_d, psi_q, omega, theta):
    """(flux linkages [Wb], mechanical speed and angle) => torque on the rotor [Nm], cogging included."""
    if machine.detail:
        _, _, torque_Nm, _, _, _ = detailed(machine, table, psi_d, psi_q, omega, theta)
        return torque_Nm
    id_A, iq_A = currents(machine, table, psi_d, psi_q)
    return torque(machine, psi_d, psi_q, id_A, iq_A)
