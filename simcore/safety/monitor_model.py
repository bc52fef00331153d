"""Checks against a model of the machine: the stator flux that the commanded voltages make.

The flux is integrated in the stator frame, psi' = u - R i, and drawn to the one that the measured currents and angle mean, at a
quarter of the electrical speed (above a least rate): an error of the voltage fades, one of a sensor that turns or jumps shows.
u: duties x measured link voltage less dead time and device drops by the current's sign.  The rotor's angle follows from
the active flux psi - Lq i, which lies along the d axis: I. Boldea, M. C. Paicu, G.-D. Andreescu, 'Active flux concept',
IEEE Trans. Power Electron. 23(5), 2008 (from memory).  Checked: tests/safety/test_monitor_model.py.
"""

import math

from simcore.kernel import kernel
from simcore.plant.machine import currents, fluxes, torque
from simcore.rotation import INV_SQRT3
from simcore.safety.monitor_judge import above, look
from simcore.safety.monitor_records import ANGLE_EMF, CURRENT_PLAUSIBILITY, TORQUE_POWER

DEG = 180.0 / math.pi
RAD_S = math.pi / 30.0
LEAST_A = 1e-6


@kernel
def leg_volts(safety, duty, link_V, current_A):
    """(duty, link voltage, mean current out of the leg) => its voltage to the negative rail as the monitor reckons [V]."""
    sign = current_A / math.sqrt(current_A * current_A + safety.sign_band_A * safety.sign_band_A)
    lost = safety.dead_share if 0.0 < duty < 1.0 else 0.0
    return (duty - lost * sign) * link_V - safety.drop_V * sign - safety.drop_ohm * current_A


@kernel
def check_model(safety, monitor, m, table, tick):
    """(measurement) => model flux led on; current plausibility, angle against EMF, torque from power judged."""
    machine = safety.machine
    ia, ib, ic = 0.5 * (m.ia_A + monitor.last_A[0]), 0.5 * (m.ib_A + monitor.last_A[1]), 0.5 * (m.ic_A + monitor.last_A[2])
    va = leg_volts(safety, monitor.applied[0], m.link_voltage_V, ia)
    vb = leg_volts(safety, monitor.applied[1], m.link_voltage_V, ib)
    vc = leg_volts(safety, monitor.applied[2], m.link_voltage_V, ic)
    v_alpha, v_beta = (2.0 * va - vb - vc) * (1.0 / 3.0), (vb - vc) * INV_SQRT3
    i_alpha, i_beta = (2.0 * ia - ib - ic) * (1.0 / 3.0), (ib - ic) * INV_SQRT3
    sine, cosine = math.sin(m.angle_electrical_rad), math.cos(m.angle_electrical_rad)
    now_alpha, now_beta = (2.0 * m.ia_A - m.ib_A - m.ic_A) * (1.0 / 3.0), (m.ib_A - m.ic_A) * INV_SQRT3
    id_A, iq_A = cosine * now_alpha + sine * now_beta, -sine * now_alpha + cosine * now_beta
    psi_d, psi_q = fluxes(machine, table, id_A, iq_A)
    omega = m.speed_rpm * RAD_S
    omega_e = machine.pole_pairs * omega
    known = monitor.started != 0 and monitor.driven != 0
    if known:
        monitor.flux_alpha_Wb += safety.update_s * (v_alpha - machine.resistance_ohm * i_alpha)
        monitor.flux_beta_Wb += safety.update_s * (v_beta - machine.resistance_ohm * i_beta)
    else:
        monitor.flux_alpha_Wb = cosine * psi_d - sine * psi_q
        monitor.flux_beta_Wb = sine * psi_d + cosine * psi_q
    model_d = cosine * monitor.flux_alpha_Wb + sine * monitor.flux_beta_Wb
    model_q = -sine * monitor.flux_alpha_Wb + cosine * monitor.flux_beta_Wb
    model_id, model_iq = currents(machine, table, model_d, model_q)
    apart = math.sqrt((model_id - id_A) ** 2 + (model_iq - iq_A) ** 2)
    above(safety, monitor, CURRENT_PLAUSIBILITY, apart, tick)
    across = psi_q / iq_A if abs(iq_A) > LEAST_A else fluxes(machine, table, id_A, 1.0)[1]
    turned = math.atan2(model_q - across * iq_A, model_d - across * id_A)
    fast = known and abs(omega_e) > safety.emf_above_rad_s
    value = DEG * abs(turned)
    look(safety, monitor, ANGLE_EMF, value, fast and value > safety.checks[ANGLE_EMF].limit, tick)
    share = 1.0 - math.exp(-max(safety.model_rad_s, 0.25 * abs(omega_e)) * safety.update_s)
    monitor.flux_alpha_Wb += share * (cosine * psi_d - sine * psi_q - monitor.flux_alpha_Wb)
    monitor.flux_beta_Wb += share * (sine * psi_d + cosine * psi_q - monitor.flux_beta_Wb)
    power_W = 1.5 * (v_alpha * i_alpha + v_beta * i_beta - machine.resistance_ohm * (i_alpha * i_alpha + i_beta * i_beta))
    estimate_Nm = torque(machine, psi_d, psi_q, id_A, iq_A)
    _check_power(safety, monitor, power_W, omega, estimate_Nm, known, tick)
    return estimate_Nm


@kernel
def _check_power(safety, monitor, power_W, omega, estimate_Nm, known, tick):
    """(power behind the resistance [W], speed [rad/s], torque from currents [Nm]) => both torques filtered and compared."""
    fast = known and abs(omega) > safety.power_above_rad_s
    wanted_Nm = power_W / omega if fast else estimate_Nm
    monitor.power_Nm += safety.power_share * (wanted_Nm - monitor.power_Nm)
    monitor.current_Nm += safety.power_share * (estimate_Nm - monitor.current_Nm)
    value = abs(monitor.power_Nm - monitor.current_Nm)
    look(safety, monitor, TORQUE_POWER, value, fast and value > safety.checks[TORQUE_POWER].limit, tick)
