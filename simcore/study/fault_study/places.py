"""Where the faults are put in: speeds, torques and link voltages, by option, by the list, or by default."""

import math
from typing import NamedTuple

import numpy as np

from simcore.scenario import ScenarioError
from simcore.study.efficiency_map.grid import values_of

SPEED_SHARES = (0.1, 0.35, 0.6, 0.85)  # of the machine's greatest
TORQUE_SHARES = (-0.3, 0.1, 0.4)  # of what it gives
# EN 50160 (from memory): a supply stays within 10 % of its nominal voltage.  A battery is taken nearly empty and nearly full.
SUPPLY_SHARES, CHARGES = (0.9, 1.1), (0.05, 0.95)
OPTIONS = {"speed_rpm": ("--speed-rpm", "rpm"), "torque_Nm": ("--torque-Nm", "Nm"), "link_V": ("--link-V", "V")}


class Places(NamedTuple):
    """points: [(speed [rpm], torque [Nm], link voltage [V]), ...]; speeds_rpm and links_V of them, rising; own_V: the
    scenario's; supplies: ((link voltage, what changes in [supply]), ...)."""

    points: tuple
    speeds_rpm: tuple
    links_V: tuple
    own_V: float
    supplies: tuple


def read_places(scenario, wishes, listed, greatest_Nm):
    """(Scenario, {"speed_rpm", "torque_Nm", "link_V": "a:b:n" or None}, the same of the list as numbers, greatest torque) =>
    Places.  Raises ScenarioError.

    By default every speed with every torque at the scenario's own link voltage, and the four corners of speed and torque at
    the lowest and the highest one; with link voltages given every combination.
    """
    given = {
        name: values_of(wishes[name], *OPTIONS[name]) if wishes.get(name) else tuple(listed.get(name, ())) for name in OPTIONS
    }
    top = scenario.machine.max_speed_rpm
    speeds = given["speed_rpm"] or tuple(top * share for share in SPEED_SHARES)
    torques = given["torque_Nm"] or tuple(greatest_Nm * share for share in TORQUE_SHARES)
    if too_fast := [speed for speed in speeds if abs(speed) > top]:
        raise ScenarioError([f"--speed-rpm: {too_fast[0]:g} rpm is beyond machine.max_speed_rpm = {top:g} rpm. Stay below."])
    own = scenario.supply.voltage_V
    links = given["link_V"] or _extremes(scenario.supply)
    if given["link_V"]:
        points = [(speed, torque, link) for link in links for speed in speeds for torque in torques]
    else:
        points = [(speed, torque, own) for speed in speeds for torque in torques]
        corners = [(speed, torque) for speed in _ends(speeds) for torque in _ends(torques)]
        points += [(*corner, link) for link in links for corner in corners if link != own]
        links = tuple(sorted({own, *links}))
    supplies = tuple((link, supply_at(scenario.supply, link)) for link in sorted({own, *links}))
    return Places(tuple(points), tuple(sorted(set(speeds))), tuple(links), own, supplies)


def _ends(values):
    return sorted({min(values), max(values)})


def _extremes(supply):
    """(supply) => its lowest and highest link voltage that is looked at [V]."""
    if supply.kind == "battery":
        curve = supply.open_circuit_voltage_V
        return tuple(sorted({round(curve.at(charge), 3) for charge in CHARGES}))
    return tuple(round(share * supply.voltage_V, 3) for share in SUPPLY_SHARES)


def supply_at(supply, link_V):
    """(supply, voltage without load [V]) => {key of [supply]: value} that make it so; a battery by its state of charge."""
    if not (math.isfinite(link_V) and link_V > 0.0):
        raise ScenarioError([f"--link-V: {link_V:g} V: a link voltage is above 0 V. Change it."])
    if link_V == supply.voltage_V:
        return {}
    if supply.kind == "rectifier":
        return {"line_voltage_V": supply.line_voltage_V * link_V / supply.voltage_V}
    if supply.kind != "battery":
        return {"voltage_V": link_V}
    charges = np.linspace(0.0, 1.0, 2001)
    volts = np.array([supply.open_circuit_voltage_V.at(charge) for charge in charges])
    if not volts.min() - 1e-9 <= link_V <= volts.max() + 1e-9:
        rule = f"the battery of supply.open_circuit_voltage_V shows {volts.min():g} to {volts.max():g} V without load"
        raise ScenarioError([f"--link-V: {link_V:g} V: {rule}. Stay inside."])
    # A curve that falls again somewhere: the charge nearest below the top.
    rising = np.maximum.accumulate(volts)
    return {"state_of_charge": float(np.interp(link_V, rising, charges))}
