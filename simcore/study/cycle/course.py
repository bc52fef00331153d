"""The course of a trip: what happened in every row, from the loop or from the map, in one form for figures and sums."""

from dataclasses import dataclass, field

import numpy as np

STAGES = (
    "battery", "auxiliary", "capacitor", "conduction", "switching", "gate", "copper", "iron", "gear", "friction_brakes",
    "road_load", "chopper",
)  # fmt: skip

_PLAIN = (
    "speed_asked_kmh", "speed_kmh", "torque_Nm", "torque_asked_Nm", "brake_N", "grade_percent", "link_voltage_V",
    "state_of_charge", "power_supply_W", "power_link_W", "power_shaft_W",
)  # fmt: skip


@dataclass
class Course:
    """Rows of equal length but the last.  Arrays (n,): values at a row's beginning (speeds, torque, charge, temperatures) and
    means over the row (powers and losses).

    losses_W: a stage's name => array; temperatures_degC likewise; kinetic_J, stored_J: change of what is in motion,
    of what link and machine store; ended: "" or why
    the trip ended early; empty: True where the battery did that; extremes: of the loop's every tick, peak_voltage_V over a
    device, dv_dt_V_per_s at the terminals, junction_degC, where the power stage is modelled so far.
    """

    mode: str
    time_s: np.ndarray
    length_s: np.ndarray
    speed_asked_kmh: np.ndarray
    speed_kmh: np.ndarray
    torque_Nm: np.ndarray
    torque_asked_Nm: np.ndarray
    brake_N: np.ndarray
    grade_percent: np.ndarray
    link_voltage_V: np.ndarray
    state_of_charge: np.ndarray
    power_supply_W: np.ndarray
    power_link_W: np.ndarray
    power_shaft_W: np.ndarray
    losses_W: dict
    temperatures_degC: dict = field(default_factory=dict)
    climbing_W: np.ndarray | None = None
    closing_charge: float = np.nan
    kinetic_J: float = 0.0
    stored_J: float = 0.0
    ended: str = ""
    empty: bool = False
    wall_s: float = 0.0
    audit: dict | None = None
    extremes: dict = field(default_factory=dict)
    told: tuple = ()

    @property
    def power_wheel_W(self):
        """Power at the wheels: the rotor's less what gear and friction brakes take (n,)."""
        return self.power_shaft_W - self.losses_W["gear"] - self.losses_W["friction_brakes"]

    @property
    def distance_km(self):
        """Way driven (trapezoids between the rows)."""
        if len(self.time_s) < 2:
            return 0.0
        return float(np.trapezoid(self.speed_kmh, self.time_s) + self.speed_kmh[-1] * self.length_s[-1]) / 3600.0

    def energy_J(self, power_W):
        """(power of each row) => energy above zero, below zero [J]."""
        energy = power_W * self.length_s
        return float(np.sum(energy[energy > 0.0])), float(np.sum(energy[energy < 0.0]))

    def total_J(self, power_W):
        return float(np.sum(power_W * self.length_s))

    def arrays(self):
        """Name and array of everything that is written to a file."""
        yield "time_s", self.time_s
        for name in _PLAIN:
            yield name, getattr(self, name)
        yield "power_wheel_W", self.power_wheel_W
        for name, values in self.losses_W.items():
            yield f"loss_{name}_W", values
        for name, values in self.temperatures_degC.items():
            yield f"{name}_degC", values
        yield "energy_discharged_kWh", np.cumsum(np.maximum(self.power_supply_W, 0.0) * self.length_s) / 3.6e6
        yield "energy_regenerated_kWh", np.cumsum(np.maximum(-self.power_supply_W, 0.0) * self.length_s) / 3.6e6
        yield "energy_net_kWh", np.cumsum(self.power_supply_W * self.length_s) / 3.6e6


def thinned(values, every, take):
    """(rows (n,), how many make one, "mean", "first" or "last" of them) => fewer rows; the last may be made of fewer."""
    if every <= 1:
        return values
    if take == "first":
        return values[::every].copy()
    if take == "last":
        return values[np.minimum(np.arange(every - 1, len(values) + every - 1, every), len(values) - 1)]
    whole = len(values) // every
    out = values[: whole * every].reshape(whole, every).mean(axis=1)
    return out if whole * every == len(values) else np.append(out, values[whole * every :].mean())
