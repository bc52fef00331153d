"""What is asked for at an update, by mode: commands, their limits, slew and ramp-down => a request."""

import math

from controllers.braking import limit_braking
from controllers.derating import derated_share
from controllers.foc_records import SPEED
from controllers.ramp_down import ramped, ramped_speed
from controllers.references import greatest_torque
from controllers.speed_loop import speed_torque
from simcore.kernel import inlined, kernel

RAD_S = math.pi / 30.0
NONE, AT_CURRENT, AT_SLEW, AT_SPEED, AT_TEMPERATURE, AT_LINK = 0, 1, 6, 7, 9, 10


@kernel
def _or_zero(value):
    """(command that may be absent, NaN) => the command, or 0."""
    return value if math.isfinite(value) else 0.0


@inlined
def torque_request(p, s, m, tables, omega):
    """(speed or torque command) => request, slewed request [Nm], the speed reference used [rad/s], binding code."""
    binding = NONE
    reference = 0.0
    if p.mode == SPEED:
        reference = _or_zero(m.speed_reference_rpm) * RAD_S
        if abs(reference) > p.max_speed_rad_s:
            reference = math.copysign(p.max_speed_rad_s, reference)
            binding = AT_SPEED
        reference = ramped_speed(p, s, m.run_request, reference, omega)
        if s.resting or not s.started:
            s.speed_integral_Nm = p.speed_kp * (1.0 - p.speed_weight) * omega  # so that a start begins without a jolt
        if s.resting:
            request = 0.0
        else:
            request = speed_torque(p.speed_kp, p.speed_weight, s.speed_integral_Nm, reference, omega)
    else:
        full_Nm = greatest_torque(tables, p.reference_offset)
        request, _ = ramped(p, s, m.run_request, _or_zero(m.torque_reference_Nm), 0.0, full_Nm, 1.0, 0)
    if p.torque_step_Nm > 0.0:
        slewed = min(max(request, s.slewed_Nm - p.torque_step_Nm), s.slewed_Nm + p.torque_step_Nm)
        if slewed != request:
            binding = AT_SLEW
        s.slewed_Nm = slewed
    else:
        s.slewed_Nm = request
    if p.derates:
        limit_Nm = derated_share(p, s, m) * greatest_torque(tables, p.reference_offset)
        if s.derated > 0.0 and abs(s.slewed_Nm) > limit_Nm:
            s.slewed_Nm = math.copysign(limit_Nm, s.slewed_Nm)
            binding = AT_TEMPERATURE
    if p.link_limit_J > 0.0:
        s.slewed_Nm, limited = limit_braking(p, s, m, s.slewed_Nm, omega)
        if limited:
            binding = AT_LINK
    return request, s.slewed_Nm, reference, binding


@kernel
def current_request(p, s, m):
    """(current commands) => id, iq [A] inside max_current_A, binding code."""
    id_A, iq_A, binding = _or_zero(m.id_reference_A), _or_zero(m.iq_reference_A), NONE
    size = math.sqrt(id_A * id_A + iq_A * iq_A)
    limit_A, limited = p.max_current_A, AT_CURRENT
    if p.derates:
        limit_A *= derated_share(p, s, m)
        if s.derated > 0.0:
            limited = AT_TEMPERATURE
    if size > limit_A:
        id_A, iq_A, binding = id_A * limit_A / size, iq_A * limit_A / size, limited
    id_A, iq_A = ramped(p, s, m.run_request, id_A, iq_A, p.max_current_A, p.max_current_A, 0)
    return id_A, iq_A, binding


@kernel
def voltage_request(p, s, m, ceiling_V):
    """(voltage commands, greatest voltage) => vd, vq [V]."""
    return ramped(
        p, s, m.run_request, _or_zero(m.vd_reference_V), _or_zero(m.vq_reference_V), ceiling_V, ceiling_V, 0
    )


@kernel
def open_loop_request(p, s, m, ceiling_V):
    """(open-loop commands, greatest voltage) => amplitude [V], electrical frequency [Hz]."""
    volts, frequency_Hz = _or_zero(m.voltage_reference_V), _or_zero(m.frequency_reference_Hz)
    return ramped(p, s, m.run_request, volts, frequency_Hz, ceiling_V, p.full_frequency_Hz, 1)
