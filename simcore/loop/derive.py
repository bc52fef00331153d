"""Signals that follow from the primary channels: name => function of the recording."""

import math

import numpy as np

from simcore.loop.monitor_log import stepped
from simcore.loop.records import JUNCTION_CHANNELS
from simcore.loop.setup import profile_points
from simcore.safety.fault_times import active_count

RPM = 30.0 / math.pi


def _channel(name, factor=1.0):
    return lambda r: r.channel(name) * factor if factor != 1.0 else r.channel(name)


def _mean(name, factor=1.0):
    return lambda r: r.channel(name) * (factor / r.row_length_s)


def _torque(r):
    machine = r.params[0]["machine"]
    pole_pairs = r.scenario.machine.pole_pairs
    psi_d, psi_q, id_A, iq_A = (r.channel(name) for name in ("psi_d_Wb", "psi_q_Wb", "id_A", "iq_A"))
    torque = 1.5 * pole_pairs * (psi_d * iq_A - psi_q * id_A)
    return torque + _torque_of_detail(r, machine, pole_pairs, psi_d, psi_q, id_A, iq_A) if machine["detail"] else torque


def _torque_of_detail(r, machine, pole_pairs, psi_d, psi_q, id_A, iq_A):
    """What iron loss, EMF harmonics and cogging add to the torque of the terminal currents (plant/detail.py)."""
    theta, omega_e = r.channel("theta"), pole_pairs * r.channel("omega")
    band = machine["hysteresis_band_rad_s"]
    g = machine["eddy_S"] * omega_e
    if band > 0.0:
        g = g + machine["hysteresis_A_per_Wb"] * omega_e / np.hypot(omega_e, band)
    more = -1.5 * pole_pairs * g * (psi_d**2 + psi_q**2)
    for k in range(machine["emf_count"]):
        order, flux = machine["emf_order"][k], r.parameter("machine", "emf_flux_Wb", k)
        at = order * pole_pairs * theta + machine["emf_phase_rad"][k]
        magnetising_d, magnetising_q = id_A + g * psi_q, iq_A - g * psi_d
        more = more + 1.5 * pole_pairs * order * flux * (np.cos(at) * magnetising_q - np.sin(at) * magnetising_d)
    for k in range(machine["cogging_count"]):
        more = more + machine["cogging_Nm"][k] * np.sin(machine["cogging_order"][k] * theta + machine["cogging_phase_rad"][k])
    return more


def _shaft_torque(r):
    shaft = r.params[0]["shaft"]
    if r.scenario.load.kind != "two_mass":
        return np.full(len(r), math.nan)
    twist, slip = r.channel("twist"), r.channel("omega") - r.channel("omega_load")
    half = shaft["half_backlash_rad"]
    stiffness, damping = (r.parameter("shaft", name) for name in ("stiffness_Nm_per_rad", "damping_Nm_s"))
    forward = np.maximum(stiffness * (twist - half) + damping * slip, 0.0)
    backward = np.minimum(stiffness * (twist + half) + damping * slip, 0.0)
    if half == 0.0:
        return stiffness * twist + damping * slip
    return np.where(twist > half, forward, np.where(twist < -half, backward, 0.0))


def _vehicle_speed(r):
    load = r.scenario.load
    return r.channel("omega") * load.arm_m * 3.6 if load.kind == "vehicle" else np.full(len(r), math.nan)


def _phase(name_d, name_q, shift):
    def phase(r):
        angle = r.scenario.machine.pole_pairs * r.channel("theta") - shift
        return r.channel(name_d) * np.cos(angle) - r.channel(name_q) * np.sin(angle)

    return phase


def _phase_voltage(shift):
    def voltage(r):
        v = r.channel("v_alpha") * math.cos(shift) + r.channel("v_beta") * math.sin(shift)
        return v / r.row_length_s

    return voltage


def profile_values(r, name):
    """(recording, command name) => the command's value at every row, NaN where the scenario has none."""
    profile = getattr(r.scenario.commands, name)
    ticks = np.arange(len(r)) * r.scenario.record_every
    return evaluate(profile, ticks, r.scenario.tick_s)


def evaluate(profile, ticks, tick_s):
    """(profile or None, ticks) => values by the loop's rule."""
    if profile is None:
        return np.full(len(ticks), math.nan)
    points = profile_points(profile, tick_s)
    if profile.shape == "linear":
        return np.interp(ticks, points[:, 0], points[:, 1])
    at = np.maximum(np.searchsorted(points[:, 0], ticks, side="right") - 1, 0)
    return points[at, 1]


def _reference(reported, command):
    def reference(r):
        told = r.channel(reported)
        return np.where(np.isfinite(told), told, profile_values(r, command))

    return reference


def _conduction(r):
    drawn = 0.0
    if r.has_power:
        drawn = r.channel("switching_J") + r.channel("driver_J") + r.channel("capacitor_J")
    return (r.channel("link_J") - r.channel("terminal_J") - drawn - r.channel("short_J")) / r.row_length_s


def _staged(name, otherwise=lambda r: math.nan, mean=False):
    """A column of the power stage, or one value where the run has none."""

    def column(r):
        if not r.has_power or not r.has_channel(name):
            return np.full(len(r), math.nan if r.has_power else float(otherwise(r)))
        return r.channel(name) / r.row_length_s if mean else r.channel(name)

    return column


def _machine_loss(r):
    return (r.channel("copper_J") + r.channel("iron_J")) / r.row_length_s


def _inverter_loss(r):
    return (r.channel("link_J") - r.channel("terminal_J")) / r.row_length_s


def _faults(r):
    """How many faults act at each row."""
    if r.faults is None:
        return np.zeros(len(r))
    return active_count(r.faults.spans, np.arange(len(r)) * r.scenario.record_every)


def _constant(value):
    return lambda r: np.full(len(r), float(value(r)))


THIRD = 2.0 * math.pi / 3.0
DERIVED = {
    "torque_Nm": _torque,
    "torque_reference_Nm": _reference("torque_reported_Nm", "torque_Nm"),
    "torque_estimate_Nm": _channel("torque_estimate_Nm"),
    "speed_rpm": _channel("omega", RPM),
    "speed_reference_rpm": lambda r: profile_values(r, "speed_rpm"),
    "speed_measured_rpm": _channel("speed_measured_rpm"),
    "angle_deg": _channel("theta", 180.0 / math.pi),
    "angle_error_deg": _channel("angle_error_rad", 180.0 / math.pi),
    "id_A": _channel("id_A"),
    "iq_A": _channel("iq_A"),
    "id_reference_A": _reference("id_reported_A", "id_A"),
    "iq_reference_A": _reference("iq_reported_A", "iq_A"),
    "id_measured_A": _channel("id_measured_A"),
    "iq_measured_A": _channel("iq_measured_A"),
    "psi_d_Wb": _channel("psi_d_Wb"),
    "psi_q_Wb": _channel("psi_q_Wb"),
    "ia_A": _phase("id_A", "iq_A", 0.0),
    "ib_A": _phase("id_A", "iq_A", THIRD),
    "ic_A": _phase("id_A", "iq_A", -THIRD),
    "vd_V": _mean("vd"),
    "vq_V": _mean("vq"),
    "va_V": _phase_voltage(0.0),
    "vb_V": _phase_voltage(THIRD),
    "vc_V": _phase_voltage(-THIRD),
    "voltage_margin_V": _channel("voltage_margin_V"),
    "duty_a": _channel("duty_a"),
    "duty_b": _channel("duty_b"),
    "duty_c": _channel("duty_c"),
    "link_voltage_V": _channel("link_voltage_V"),
    "link_voltage_measured_V": _channel("link_voltage_measured_V"),
    "link_current_A": _mean("link_C"),
    "supply_current_A": _mean("supply_C"),
    "power_supply_W": _mean("supply_J"),
    "power_link_W": _mean("link_J"),
    "power_terminal_W": _mean("terminal_J"),
    "power_shaft_W": _mean("shaft_J"),
    "loss_copper_W": _mean("copper_J"),
    "loss_iron_W": _mean("iron_J"),
    "loss_conduction_W": _conduction,
    "loss_switching_W": _staged("switching_J", lambda r: 0.0, mean=True),
    "loss_gate_W": _staged("driver_J", lambda r: 0.0, mean=True),
    "loss_capacitor_W": _staged("capacitor_J", lambda r: 0.0, mean=True),
    "loss_inverter_W": _inverter_loss,
    "loss_machine_W": _machine_loss,
    "loss_leg_a_W": _staged("leg_a_J", mean=True),
    "loss_leg_b_W": _staged("leg_b_J", mean=True),
    "loss_leg_c_W": _staged("leg_c_J", mean=True),
    "loss_supply_W": _mean("supply_loss_J"),
    "loss_friction_W": lambda r: (r.channel("viscous_J") + r.channel("coulomb_J")) / r.row_length_s,
    "loss_gear_W": _mean("shaft_loss_J"),
    "loss_chopper_W": _mean("chopper_J"),
    "loss_short_W": _mean("short_J"),
    "speed_load_rpm": lambda r: r.channel("omega_load" if r.scenario.load.kind == "two_mass" else "omega") * RPM,
    "shaft_torque_Nm": _shaft_torque,
    "vehicle_speed_kmh": _vehicle_speed,
    "state_of_charge": lambda r: r.channel("charge") if r.scenario.supply.kind == "battery" else np.full(len(r), math.nan),
    "winding_measured_degC": _channel("winding_measured_degC"),
    "junction_measured_degC": _channel("junction_measured_degC"),
    "junction_degC": _staged("junction_degC", lambda r: r.params[0]["junction_degC"]),
    **{name: _staged(name, lambda r: r.params[0]["junction_degC"]) for name in JUNCTION_CHANNELS},
    "sink_degC": _staged("sink_degC"),
    "winding_degC": _staged("winding_degC", lambda r: r.params[0]["winding_degC"]),
    "iron_degC": _staged("iron_degC"),
    "magnet_degC": _staged("magnet_degC", lambda r: r.params[0]["magnet_degC"]),
    "gate_setting": _staged("gate_setting"),
    "peak_voltage_V": _staged("peak_V"),
    "dv_dt_V_per_s": _staged("dv_dt_V_per_s"),
    "binding_limit": _channel("binding_limit"),
    "state": _channel("state"),
    "fault": _faults,
    "tripped_by": lambda r: stepped(r.monitor_events, np.arange(len(r)) * r.scenario.record_every, 2),
}
