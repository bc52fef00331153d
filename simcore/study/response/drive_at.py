"""A scenario at an operating point => the linear drive whose loops are predicted."""

import math

import numpy as np

from simcore.loop.fill_plant import fill_machine, fill_shaft
from simcore.plant.records import MACHINE, SHAFT
from simcore.plant.temperature import resistance_ohm
from simcore.study.response.built_in import at_currents, flux_of
from simcore.study.response.linear_drive import (
    TURN,
    Counting,
    CurrentControl,
    LinearDrive,
    SecondMass,
    Sensing,
    Shaft,
    SpeedControl,
    Timing,
    Tracking,
    Winding,
    rotation,
)
from simcore.study.response.voltage_error import added_resistance_ohm, band_A, lost_voltage_V, slope_ohm

_CLARKE = np.array([[1.0, 0.0], [-0.5, math.sqrt(0.75)], [-0.5, -math.sqrt(0.75)]])


def update_of(scenario):
    """(scenario) => true update period of its controller [s]."""
    return scenario.tick_s * (1 if scenario.inverter.update == "double" else 2)


def linear_drive(scenario, built_in, point, *, with_speed=False, flux=None):
    """(scenario, BuiltIn, OperatingPoint) => LinearDrive; with_speed: the shaft turns freely inside its speed loop."""
    omega_e = scenario.machine.pole_pairs * point.omega
    sensing = _sensing(scenario)
    winding = _winding(scenario, point, sensing, omega_e, flux or flux_of(scenario.machine))
    return LinearDrive(
        winding=winding,
        timing=Timing(
            update_s=update_of(scenario), shift_s=scenario.sensors.current.sample_shift_s,
            delay_updates=scenario.controller.delay_updates,
        ),
        sensing=sensing,
        shaft=shaft_of(scenario.load, point) if with_speed else None,
        current=_current_control(scenario, built_in, point, winding),
        speed=_speed_control(scenario, built_in, point) if with_speed else None,
        omega_e=omega_e,
    )  # fmt: skip


def _winding(scenario, point, sensing, omega_e, flux):
    """The machine at the true currents: what lies behind gain, angle error and low-pass of the measured ones."""
    current = np.linalg.solve(sensing.gain @ rotation(-sensing.angle_error_rad), point.reference_A)
    if sensing.bandwidth_rad_s > 0.0:
        current = current + omega_e / sensing.bandwidth_rad_s * TURN @ current
    iron, magnetising = _iron_A_per_Wb(scenario.machine, omega_e), current
    for _ in range(3):
        psi, inductance = at_currents(flux, magnetising)
        magnetising = current - iron * TURN @ psi
    return Winding(
        pole_pairs=scenario.machine.pole_pairs, resistance_ohm=_resistance(scenario, current, omega_e, point.link_V),
        inductance_H=inductance, flux_Wb=psi, current_A=current, iron_A_per_Wb=iron,
    )  # fmt: skip


def _resistance(scenario, current_A, omega_e, link_V):
    """Winding and devices, and what dead time and thresholds add to changes of this current (2, 2) [ohm]."""
    resistance = (resistance_ohm(scenario.machine) + slope_ohm(scenario.inverter)) * np.eye(2)
    lost_V = lost_voltage_V(scenario, link_V)
    if lost_V > 0.0:
        standing = math.radians(scenario.initial.angle_electrical_deg) if omega_e == 0.0 else None
        resistance += added_resistance_ohm(lost_V, current_A, band_A(scenario), standing)
    return resistance


def _iron_A_per_Wb(machine, omega_e):
    """Iron current over flux linkage at this speed (plant/detail.py)."""
    if machine.iron_loss is None:
        return 0.0
    record = np.zeros(1, MACHINE)[0]
    fill_machine(record, machine)
    sign = omega_e / math.hypot(omega_e, float(record["hysteresis_band_rad_s"]))
    return float(record["eddy_S"]) * omega_e + float(record["hysteresis_A_per_Wb"]) * sign


def shaft_of(load, point):
    """(load on a free shaft, OperatingPoint) => Shaft: drag by its slope at this speed, without play."""
    record = np.zeros(1, SHAFT)[0]
    fill_shaft(record, load)
    driving = point.torque_Nm * point.omega > 0.0
    share = 1.0 - float(record["gear_loss"]) if driving else 1.0 + float(record["gear_loss_back"])
    viscous, second = float(record["viscous_Nm_s"]) + 2.0 * float(record["drag_Nm_s2"]) * abs(point.omega), None
    if load.kind == "two_mass":
        second, viscous = SecondMass(
            inertia_kg_m2=load.load_inertia_kg_m2, viscous_Nm_s=viscous, stiffness_Nm_per_rad=load.stiffness_Nm_per_rad,
            damping_Nm_s=load.damping_Nm_s,
        ), 0.0  # fmt: skip
    return Shaft(inertia_kg_m2=float(record["inertia_kg_m2"]), viscous_Nm_s=viscous, torque_share=share, load=second)


def _sensing(scenario):
    current, position = scenario.sensors.current, scenario.sensors.position
    error_deg, tracking, counting = getattr(position, "mounting_offset_deg", 0.0), None, None
    if position.kind == "resolver":
        ratio = scenario.machine.pole_pairs / position.pole_pairs
        # Axes that are not square turn the mean angle by half their error.
        error_deg += 0.5 * ratio * position.quadrature_error_deg
        tracking = Tracking(
            natural_rad_s=2.0 * math.pi * position.tracking_natural_frequency_Hz, damping=position.tracking_damping,
            pole_pairs=position.pole_pairs, electrical_ratio=ratio,
        )  # fmt: skip
    if position.kind == "encoder":
        filter_rad_s = 2.0 * math.pi * position.speed_filter_Hz
        share = -math.expm1(-filter_rad_s * update_of(scenario)) if filter_rad_s > 0.0 else 1.0
        counting = Counting(share=share, gain=position.lines / (position.believed_lines or position.lines))
    return Sensing(
        bandwidth_rad_s=2.0 * math.pi * current.bandwidth_Hz, gain=mean_gain(current.gain, current.phases),
        angle_error_rad=math.radians(error_deg), tracking=tracking, counting=counting,
    )  # fmt: skip


def mean_gain(gains, phases):
    """(gains of three phases, "abc" or "ab") => (2, 2): what the sensors do to a current vector on average over a turn.

    Unequal gains also reflect the vector, which turns twice as fast in the rotor's frame and is no part of a linear loop.
    """
    seen = np.diag(gains) @ _CLARKE
    if phases == "ab":
        seen[2] = -seen[0] - seen[1]
    m = 2.0 / 3.0 * _CLARKE.T @ seen
    return 0.5 * (m[0, 0] + m[1, 1]) * np.eye(2) + 0.5 * (m[1, 0] - m[0, 1]) * TURN


def _current_control(scenario, built_in, point, winding):
    p, sensor = built_in.parameters, scenario.sensors.link_voltage
    kp, ki, active = built_in.current_gains(point.reference_A)
    psi, inductance = at_currents(built_in.flux, point.reference_A)
    seen_V = sensor.gain * point.link_V + sensor.offset_V
    bandwidth_Hz = built_in.current_bandwidth_Hz
    if bandwidth_Hz is None:
        bandwidth_Hz = float(np.max(kp / np.diag(winding.inductance_H))) / (2.0 * math.pi)
    forward = np.zeros((2, 2))
    if p["compensation"]:
        lost_V = float(p["compensation_duty"]) * seen_V
        forward = added_resistance_ohm(lost_V, point.reference_A, float(p["compensation_band_A"]))
    return CurrentControl(
        kp=kp, ki=ki, active_ohm=active, feed_forward_ohm=forward, decoupling=bool(p["decoupling"]), inductance_H=inductance,
        flux_Wb=psi, advance_s=float(p["advance_s"]), voltage_gain=point.link_V / seen_V, bandwidth_Hz=bandwidth_Hz,
        update_s=float(p["update_s"]),
    )  # fmt: skip


def _speed_control(scenario, built_in, point):
    p, tuning = built_in.parameters, built_in.setup.tuning
    per_torque, per_speed = built_in.slopes(
        point.torque_Nm, point.speed_rpm, point.link_V, 0.01 * point.most_Nm, 1e-3 * scenario.machine.max_speed_rpm
    )
    kp = float(p["speed_kp"])
    return SpeedControl(
        kp=kp, ki=float(p["speed_ki"]), weight=float(p["speed_weight"]),
        bandwidth_Hz=kp / scenario.load.total_inertia_kg_m2 / (2.0 * math.pi), by_bandwidth="speed_kp_Nm_s" not in tuning,
        damping_Nm_s=float(p["damping_Nm_s"]), highpass_share=float(p["highpass_share"]),
        current_per_torque=per_torque, current_per_speed=per_speed,
    )  # fmt: skip
