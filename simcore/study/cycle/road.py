"""What the road asks of a vehicle: forces, the energy at its wheels by calculation alone, and the rotor behind the gear."""

import math
from dataclasses import dataclass

import numpy as np

from simcore.scenario.load import GRAVITY_m_per_s2

KWH = 3.6e6  # J


@dataclass(frozen=True)
class Vehicle:
    """A vehicle in SI units.  road_N: F0 [N], F1 [N s/m], F2 [N s2/m2]; inertia_kg: mass in acceleration, rotor included."""

    mass_kg: float
    inertia_kg: float
    road_N: tuple
    arm_m: float
    gear_efficiency: float

    @classmethod
    def of(cls, load):
        """VehicleLoad of a scenario => Vehicle."""
        arm = load.arm_m
        return cls(load.mass_kg, load.total_inertia_kg_m2 / arm**2, load.road_N, arm, load.gear_efficiency)

    def resistance_N(self, speed):
        """speed [m/s], number or array => F0 + F1 v + F2 v^2 [N]."""
        f0, f1, f2 = self.road_N
        return f0 + f1 * speed + f2 * speed * speed

    def weight_N(self, grade_percent):
        """slope [%] => force of the weight along it, against the motion uphill [N]."""
        return self.mass_kg * GRAVITY_m_per_s2 * np.sin(np.arctan(0.01 * np.asarray(grade_percent)))

    def grade_percent(self, weight_N):
        """Force of the weight along the road [N], array => slope [%]."""
        return 100.0 * np.tan(np.arcsin(np.asarray(weight_N) / (self.mass_kg * GRAVITY_m_per_s2)))


@dataclass(frozen=True)
class WheelEnergy:
    """What a cycle asks at the wheels [J]: while driving, while braking (negative); peak powers [W] and way [m]."""

    driving_J: float
    braking_J: float
    peak_W: float
    least_W: float
    distance_m: float

    @property
    def net_J(self):
        return self.driving_J + self.braking_J

    @property
    def driving_kWh_per_100km(self):
        return self.driving_J / KWH / (self.distance_m / 1e5)


def wheel_energy(cycle, vehicle, step_s=1.0, grade=None):
    """(Cycle, Vehicle, seconds a step, Profile of the slope [%] where the cycle has none) => WheelEnergy.

    Mean speed of each step, mass in acceleration, counted by sign.  Source: cycle energy of UN GTR No. 15, Annex 7
    (from memory).  Checked: tests/reference/test_cycle_energy.py.
    """
    count = max(1, round(cycle.duration_s / step_s))
    at = np.linspace(0.0, cycle.duration_s, count + 1)
    speed = cycle.speed_at(at)
    mean, acceleration = 0.5 * (speed[1:] + speed[:-1]), np.diff(speed) / np.diff(at)
    middle = 0.5 * (at[1:] + at[:-1])
    slope = 0.0 if grade is None else np.array([grade.at(t) for t in middle])
    if cycle.grade_percent is not None:
        slope = np.interp(middle, cycle.time_s, cycle.grade_percent)
    rolling = np.where(mean > 0.0, vehicle.resistance_N(mean), 0.0)
    power = (rolling + vehicle.weight_N(slope) + vehicle.inertia_kg * acceleration) * mean
    energy = power * np.diff(at)
    return WheelEnergy(
        float(np.sum(energy[energy > 0.0])), float(np.sum(energy[energy < 0.0])), float(power.max()), float(power.min()),
        float(np.sum(mean * np.diff(at))),
    )  # fmt: skip


def coast_down_s(vehicle, from_kmh, to_kmh, points=20001):
    """(Vehicle, speeds [km/h]) => time it rolls from one to the other on the level [s]: the integral of m dv/F(v)."""
    speed = np.linspace(to_kmh / 3.6, from_kmh / 3.6, points)
    return float(np.trapezoid(vehicle.inertia_kg / vehicle.resistance_N(speed), speed))


def standing_still(speed):
    """speed [m/s] => True where a vehicle counts as at rest."""
    return math.fabs(speed) < 1e-3
