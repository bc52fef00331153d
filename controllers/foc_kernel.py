"""One update of the field-oriented controller, on records: the same code on the CPU and, later, elsewhere."""

import math

from controllers.current_loop import integrate_error, limit_voltage, steering
from controllers.foc_records import CURRENT, FOC_PARAMETERS, FOC_STATE, SPEED, VOLTAGE
from controllers.references import current_references, flux_limit
from controllers.speed_loop import integrate_speed, speed_torque
from simcore.inverter.modulation import leg_duties, linear_limit, voltage_ceiling
from simcore.kernel import kernel
from simcore.plant.machine import fluxes, incremental_inductances, torque
from simcore.rotation import INV_SQRT3, turn

RAD_S = math.pi / 30.0
NONE, AT_CURRENT, AT_MODULATOR, AT_SLEW, AT_SPEED = 0, 1, 5, 6, 7


@kernel
def _or_zero(value):
    """(command that may be absent, NaN) => the command, or 0."""
    return value if math.isfinite(value) else 0.0


@kernel
def _torque_request(p, s, m, omega):
    """(speed or torque command) => slewed torque request [Nm], the speed reference used [rad/s], binding code."""
    binding = NONE
    reference = 0.0
    if p.mode == SPEED:
        reference = _or_zero(m.speed_reference_rpm) * RAD_S
        if abs(reference) > p.max_speed_rad_s:
            reference = math.copysign(p.max_speed_rad_s, reference)
            binding = AT_SPEED
        request = speed_torque(p.speed_kp, p.speed_weight, s.speed_integral_Nm, reference, omega)
    else:
        request = _or_zero(m.torque_reference_Nm)
    if p.torque_step_Nm > 0.0:
        slewed = min(max(request, s.slewed_Nm - p.torque_step_Nm), s.slewed_Nm + p.torque_step_Nm)
        if slewed != request:
            binding = AT_SLEW
        s.slewed_Nm = slewed
    else:
        s.slewed_Nm = request
    return request, s.slewed_Nm, reference, binding


@kernel
def _current_limit(p, id_A, iq_A):
    """(requested currents) => the same inside max_current_A, binding code."""
    size = math.sqrt(id_A * id_A + iq_A * iq_A)
    if size > p.max_current_A:
        return id_A * p.max_current_A / size, iq_A * p.max_current_A / size, AT_CURRENT
    return id_A, iq_A, NONE


@kernel
def foc_update(p, s, m, c, tables):
    """(parameters, state, measurement, tables) => command.  Field-oriented control with voltage and current limits."""
    i_alpha = (2.0 * m.ia_A - m.ib_A - m.ic_A) * (1.0 / 3.0)
    i_beta = (m.ib_A - m.ic_A) * INV_SQRT3
    sine, cosine = math.sin(m.angle_electrical_rad), math.cos(m.angle_electrical_rad)
    id_A = cosine * i_alpha + sine * i_beta
    iq_A = -sine * i_alpha + cosine * i_beta
    omega = m.speed_rpm * RAD_S
    omega_e = p.machine.pole_pairs * omega
    psi_d, psi_q = fluxes(p.machine, tables, id_A, iq_A)
    limit_V = linear_limit(p.modulation, m.link_voltage_V)
    ceiling_V = voltage_ceiling(p.modulation, m.link_voltage_V)
    binding = NONE
    id_reference, iq_reference = math.nan, math.nan
    c.torque_reference_Nm = math.nan

    if p.mode == VOLTAGE:
        requested_d, requested_q = _or_zero(m.vd_reference_V), _or_zero(m.vq_reference_V)
        vd, vq = limit_voltage(requested_d, requested_q, ceiling_V, 0.0)
    else:
        if p.mode == CURRENT:
            id_reference, iq_reference, binding = _current_limit(p, _or_zero(m.id_reference_A), _or_zero(m.iq_reference_A))
        else:
            request, slewed, speed_reference, binding = _torque_request(p, s, m, omega)
            psi_limit = flux_limit(
                p.voltage_use * limit_V, p.machine.resistance_ohm, s.reference_A, omega_e, s.granted_Nm, p.machine.pole_pairs
            )
            k = p.machine
            id_reference, iq_reference, granted, limited = current_references(
                tables, p.reference_offset, k.use_map, tables, k.map_offset, k.pole_pairs, k.magnet_flux_Wb, k.inductance_d_H,
                k.inductance_q_H, slewed, psi_limit,
            )  # fmt: skip
            s.granted_Nm = granted
            if p.torque_step_Nm > 0.0 and abs(granted) < abs(slewed):
                s.slewed_Nm = granted  # what a limit took away is not slewed back through first
            s.reference_A = math.sqrt(id_reference * id_reference + iq_reference * iq_reference)
            if limited != NONE:
                binding = limited
            if p.mode == SPEED:
                s.speed_integral_Nm = integrate_speed(
                    s.speed_integral_Nm, p.speed_kp, p.speed_ki, speed_reference, omega, granted, request, p.update_s
                )
                c.torque_reference_Nm = granted
        kp_d, kp_q, ki_d, ki_q = p.kp_d, p.kp_q, p.ki_d, p.ki_q
        if p.gains_given == 0:
            l_dd, _, _, l_qq = incremental_inductances(p.machine, tables, id_A, iq_A)
            kp_d = p.current_bandwidth_rad_s * l_dd
            kp_q = p.current_bandwidth_rad_s * l_qq
        error_d = id_reference - id_A
        error_q = iq_reference - iq_A
        requested_d = kp_d * error_d + s.integral_d_V
        requested_q = kp_q * error_q + s.integral_q_V
        if p.decoupling:
            requested_d -= omega_e * psi_q
            requested_q += omega_e * psi_d
        vd, vq = limit_voltage(requested_d, requested_q, ceiling_V, steering(p.current_bandwidth_rad_s, omega_e))
        s.integral_d_V = integrate_error(s.integral_d_V, ki_d, kp_d, error_d, vd, requested_d, p.update_s)
        s.integral_q_V = integrate_error(s.integral_q_V, ki_q, kp_q, error_q, vq, requested_q, p.update_s)

    margin = limit_V - math.sqrt(requested_d * requested_d + requested_q * requested_q)
    if margin < 0.0 and binding == NONE:
        binding = AT_MODULATOR
    # The duties act while the rotor turns on: the vector is put where the d axis will be then.
    sine, cosine = turn(sine, cosine, p.advance_s * omega_e)
    c.duty_a, c.duty_b, c.duty_c = leg_duties(
        p.modulation, cosine * vd - sine * vq, sine * vd + cosine * vq, m.link_voltage_V
    )
    c.gates_on = 1
    c.gate_setting = -1
    c.torque_estimate_Nm = torque(p.machine, psi_d, psi_q, id_A, iq_A)
    c.id_reference_A = id_reference
    c.iq_reference_A = iq_reference
    c.voltage_margin_V = margin
    c.binding_limit = binding
    return 0


def foc_step(measured, commands, parameters, state, tables, member):
    """The published compiled signature around foc_update (controllers.contract.step_signature)."""
    p = parameters[member].view(FOC_PARAMETERS)[0]
    s = state[member].view(FOC_STATE)[0]
    return foc_update(p, s, measured[member], commands[member], tables)
