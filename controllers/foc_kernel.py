"""One update of the field-oriented controller, on records: the same code on the CPU and, later, elsewhere."""

import math

from controllers.braking import note_power
from controllers.current_loop import active_resistance, integrate_error, limit_voltage, steering
from controllers.dead_time import compensate_legs
from controllers.foc_records import CURRENT, FOC_PARAMETERS, FOC_STATE, OPEN_LOOP, SPEED, VOLTAGE
from controllers.foc_requests import current_request, open_loop_request, torque_request, voltage_request
from controllers.open_loop import turn_source
from controllers.references import current_references, flux_limit
from controllers.speed_loop import integrate_speed
from controllers.torque_extras import extra_torque
from simcore.inverter.modulation import leg_duties, linear_limit, voltage_ceiling
from simcore.kernel import inlined, kernel
from simcore.plant.machine import fluxes, incremental_inductances, torque
from simcore.rotation import INV_SQRT3, TWO_PI, turn

RAD_S = math.pi / 30.0
NONE, AT_MODULATOR, AT_RAMP_DOWN = 0, 5, 8


@inlined
def start_anew(s):
    """(state) => as before the first update: what the loops integrate while others hold the legs has no answer."""
    s.integral_d_V, s.integral_q_V, s.slewed_Nm, s.granted_Nm, s.reference_A = 0.0, 0.0, 0.0, 0.0, 0.0
    s.started = 0


@inlined
def _torque_references(p, s, m, c, tables, omega, omega_e, limit_V):
    """(torque or speed command) => id, iq references [A], binding code; the speed loop moves on."""
    request, slewed, speed_reference, binding = torque_request(p, s, m, tables, omega)
    extra = 0.0
    if not s.resting:
        extra = extra_torque(p, s, m.angle_electrical_rad, omega)
    psi_limit = flux_limit(
        p.voltage_use * limit_V, p.machine.resistance_ohm, s.reference_A, omega_e, s.granted_Nm, p.machine.pole_pairs
    )
    k = p.machine
    id_reference, iq_reference, granted, limited = current_references(
        tables, p.reference_offset, k.use_map, tables, k.map_offset, k.pole_pairs, k.magnet_flux_Wb, k.inductance_d_H,
        k.inductance_q_H, slewed + extra, psi_limit,
    )  # fmt: skip
    s.granted_Nm = granted
    s.reference_A = math.sqrt(id_reference * id_reference + iq_reference * iq_reference)
    asked = granted - extra
    if p.torque_step_Nm > 0.0 and abs(asked) < abs(slewed):
        s.slewed_Nm = asked  # what a limit took away is not slewed back through first
    if limited != NONE:
        binding = limited
    if p.mode == SPEED:
        s.speed_integral_Nm = integrate_speed(
            s.speed_integral_Nm, p.speed_kp, p.speed_ki, speed_reference, omega, asked, request, p.update_s
        )
        c.torque_reference_Nm = granted
    elif s.ramping:
        c.torque_reference_Nm = request
    return id_reference, iq_reference, binding


@inlined
def _current_loop(p, s, tables, error_d, error_q, id_A, iq_A, omega_e, psi_d, psi_q, ceiling_V):
    """(errors and currents of the axes [A]) => voltage granted and requested [V]; the integrators move on."""
    kp_d, kp_q, ki_d, ki_q = p.kp_d, p.kp_q, p.ki_d, p.ki_q
    if p.gains_given == 0:
        l_dd, _, _, l_qq = incremental_inductances(p.machine, tables, id_A, iq_A)
        kp_d = p.current_bandwidth_rad_s * l_dd
        kp_q = p.current_bandwidth_rad_s * l_qq
    requested_d = kp_d * error_d + s.integral_d_V
    requested_q = kp_q * error_q + s.integral_q_V
    if p.active_resistance:
        resistance_d, ki_d = active_resistance(p.current_bandwidth_rad_s, kp_d, p.machine.resistance_ohm)
        resistance_q, ki_q = active_resistance(p.current_bandwidth_rad_s, kp_q, p.machine.resistance_ohm)
        requested_d -= resistance_d * id_A
        requested_q -= resistance_q * iq_A
    if p.decoupling:
        requested_d -= omega_e * psi_q
        requested_q += omega_e * psi_d
    vd, vq = limit_voltage(requested_d, requested_q, ceiling_V, steering(p.current_bandwidth_rad_s, omega_e))
    s.integral_d_V = integrate_error(s.integral_d_V, ki_d, kp_d, error_d, vd, requested_d, p.update_s)
    s.integral_q_V = integrate_error(s.integral_q_V, ki_q, kp_q, error_q, vq, requested_q, p.update_s)
    return vd, vq, requested_d, requested_q


@kernel
def foc_update(p, s, m, c, tables):
    """(parameters, state, measurement, tables) => command.  Field-oriented control with voltage and current limits.

    The axes d and q are the rotor's; in open loop those of the voltage source, which lies on d.
    """
    i_alpha = (2.0 * m.ia_A - m.ib_A - m.ic_A) * (1.0 / 3.0)
    i_beta = (m.ib_A - m.ic_A) * INV_SQRT3
    limit_V = linear_limit(p.modulation, m.link_voltage_V)
    ceiling_V = voltage_ceiling(p.modulation, m.link_voltage_V)
    angle = m.angle_electrical_rad
    omega = m.speed_rpm * RAD_S
    omega_e = p.machine.pole_pairs * omega
    requested_d, requested_q = 0.0, 0.0
    if m.legs_released < 0.5:
        start_anew(s)
    if p.mode == OPEN_LOOP:
        requested_d, frequency_Hz = open_loop_request(p, s, m, ceiling_V)
        angle, omega_e = turn_source(s, frequency_Hz, p.update_s), TWO_PI * frequency_Hz
    sine, cosine = math.sin(angle), math.cos(angle)
    id_A = cosine * i_alpha + sine * i_beta
    iq_A = -sine * i_alpha + cosine * i_beta
    binding = NONE
    id_reference, iq_reference = math.nan, math.nan
    c.torque_reference_Nm = math.nan
    c.torque_estimate_Nm = math.nan
    psi_d, psi_q = 0.0, 0.0
    if p.mode != OPEN_LOOP:
        psi_d, psi_q = fluxes(p.machine, tables, id_A, iq_A)
        c.torque_estimate_Nm = torque(p.machine, psi_d, psi_q, id_A, iq_A)

    if p.mode == VOLTAGE or p.mode == OPEN_LOOP:
        if p.mode == VOLTAGE:
            requested_d, requested_q = voltage_request(p, s, m, ceiling_V)
        vd, vq = limit_voltage(requested_d, requested_q, ceiling_V, 0.0)
    else:
        if p.mode == CURRENT:
            id_reference, iq_reference, binding = current_request(p, s, m)
        else:
            id_reference, iq_reference, binding = _torque_references(p, s, m, c, tables, omega, omega_e, limit_V)
        vd, vq, requested_d, requested_q = _current_loop(
            p, s, tables, id_reference - id_A, iq_reference - iq_A, id_A, iq_A, omega_e, psi_d, psi_q, ceiling_V
        )
        if p.link_limit_J > 0.0:
            note_power(p, s, vd, vq, id_A, iq_A)
        id_A, iq_A = id_reference, iq_reference

    margin = limit_V - math.sqrt(requested_d * requested_d + requested_q * requested_q)
    if margin < 0.0 and binding == NONE:
        binding = AT_MODULATOR
    # The duties act while the rotor turns on: the vector is put where the d axis will be then.
    acting_sine, acting_cosine = turn(sine, cosine, p.advance_s * omega_e)
    c.duty_a, c.duty_b, c.duty_c = leg_duties(
        p.modulation, acting_cosine * vd - acting_sine * vq, acting_sine * vd + acting_cosine * vq, m.link_voltage_V
    )
    if p.compensation:
        sine, cosine = turn(sine, cosine, p.compensation_ahead_s * omega_e)
        compensate_legs(p, c, cosine * id_A - sine * iq_A, sine * id_A + cosine * iq_A)
    s.started = 1
    c.gates_on = 1
    c.gate_setting = -1
    c.id_reference_A = id_reference
    c.iq_reference_A = iq_reference
    c.voltage_margin_V = margin
    c.binding_limit = AT_RAMP_DOWN if s.ramping else binding
    return 0


def foc_step(measured, commands, parameters, state, tables, member):
    """The published compiled signature around foc_update (controllers.contract.step_signature)."""
    p = parameters[member].view(FOC_PARAMETERS)[0]
    s = state[member].view(FOC_STATE)[0]
    return foc_update(p, s, measured[member], commands[member], tables)
