"""The operating point at which a loop is looked at, as the scenario has it at some time."""

import math
from dataclasses import dataclass

import numpy as np

from simcore.loop import Bench
from simcore.scenario.load import GRAVITY_m_per_s2
from simcore.study.response.built_in import at_currents, flux_of

RPM = 30.0 / math.pi
IMPOSED = ("rig", "locked")


@dataclass(frozen=True, kw_only=True, eq=False)
class OperatingPoint:
    """Speed, what is asked for, and the machine there. reference_A (2,): in the controller's frame; inductance_H (2, 2);
    most_Nm: about the greatest torque."""

    at_s: float | None
    speed_rpm: float
    reference_A: np.ndarray
    torque_Nm: float
    link_V: float
    flux_Wb: np.ndarray
    inductance_H: np.ndarray
    most_Nm: float

    @property
    def omega(self):
        """Mechanical speed [rad/s]."""
        return self.speed_rpm / RPM


def at_time(scenario, built_in, at_s=None):
    """(scenario, BuiltIn, time or None: its end) => OperatingPoint.

    Speed and torque are the commands' and the load's at that time, as if they stayed; a free shaft without a speed loop is run
    up to then to learn its speed.
    """
    at_s = scenario.run.duration_s if at_s is None else at_s
    speed_rpm, link_V = speed_at(scenario, at_s), scenario.supply.voltage_V
    if scenario.controller.mode == "current":
        commands = scenario.commands
        reference = np.array([value.at(at_s) if value is not None else 0.0 for value in (commands.id_A, commands.iq_A)])
        reference *= min(1.0, scenario.machine.max_current_A / max(float(np.hypot(*reference)), 1e-300))
    else:
        reference = built_in.references(torque_at(scenario, at_s, speed_rpm), speed_rpm, link_V)
    return point_of(scenario, reference, speed_rpm, link_V, at_s)


def point_of(scenario, reference_A, speed_rpm, link_V, at_s=None, flux=None):
    """(scenario, current references (2,), speed, link voltage) => OperatingPoint with the true machine's figures there."""
    machine = scenario.machine
    psi, inductance = at_currents(flux or flux_of(machine), reference_A)
    per_current = 1.5 * machine.pole_pairs
    return OperatingPoint(
        at_s=at_s, speed_rpm=float(speed_rpm), reference_A=np.asarray(reference_A, dtype=float),
        torque_Nm=float(per_current * (psi[0] * reference_A[1] - psi[1] * reference_A[0])), link_V=float(link_V),
        flux_Wb=psi, inductance_H=inductance, most_Nm=float(per_current * np.hypot(*psi) * machine.max_current_A),
    )  # fmt: skip


def speed_at(scenario, at_s):
    """(scenario, time) => speed there [rpm]: imposed, asked for, or what a free shaft has reached."""
    load, commands = scenario.load, scenario.commands
    if load.kind == "rig":
        return load.speed_rpm.at(at_s)
    if load.kind == "locked":
        return 0.0
    if scenario.controller.mode == "speed" and commands.speed_rpm is not None:
        limit = scenario.machine.max_speed_rpm
        return min(max(commands.speed_rpm.at(at_s), -limit), limit)
    return reached(scenario, at_s)["speed_rpm"]


def torque_at(scenario, at_s, speed_rpm):
    """(scenario, time, speed) => torque that the drive gives there [Nm]: asked for, or what load and friction take."""
    if scenario.controller.mode != "speed":
        return scenario.commands.torque_Nm.at(at_s) if scenario.commands.torque_Nm is not None else 0.0
    load, omega = scenario.load, speed_rpm / RPM
    if load.kind == "vehicle":
        constant_N, linear, square = load.road_N
        v, arm = omega * load.arm_m, load.arm_m
        road = math.copysign(constant_N + square * v * v, v) * (v != 0.0) + linear * v
        resisting = arm * (load.mass_kg * GRAVITY_m_per_s2 * math.sin(math.atan(0.01 * load.grade_percent.at(at_s))) + road)
        return resisting / load.gear_efficiency if resisting * omega > 0.0 else resisting * load.gear_efficiency
    friction = load.viscous_Nm_s * omega + math.copysign(load.coulomb_Nm, omega) * (omega != 0.0)
    return load.torque_Nm.at(at_s) + friction


def reached(scenario, at_s):
    """(scenario, time) => closing state (Recording.closing) of a run up to there."""
    ticks = max(1, min(scenario.ticks, round(at_s / scenario.tick_s)))
    run = scenario.run.model_copy(update={"duration_s": ticks * scenario.tick_s, "record_every": ticks})
    return Bench(scenario.model_copy(update={"run": run, "scope": (), "expect": (), "fault": ()})).run().closing
