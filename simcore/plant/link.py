"""The link: a source behind resistance and inductance, the link capacitor, a brake chopper and an auxiliary load.

The source takes regeneration unless it stands behind diodes (`one_way`).  An empty link stays at 0 V, however much is
drawn: the legs' diodes carry that past it.  Kirchhoff's laws; checked: tests/plant/test_link.py
against the closed forms of the RC and RLC circuit, tests/plant/test_supplies.py.
"""

import math

from simcore.kernel import inlined, kernel
from simcore.plant.records import CAPACITOR, CAPACITOR_AND_CHOKE

LEAST_LINK_V = 1.0  # below it a constant-power load draws no more current
SIXTH = math.pi / 6.0


@inlined
def supply_current(link, drive, link_V, supply_A, link_A):
    """(link voltage, choke current, inverter current) => current out of the supply [A]."""
    if link.kind == CAPACITOR_AND_CHOKE:
        return supply_A
    if link.kind == CAPACITOR:
        return 0.0 if drive.blocked else (drive.source_V - link_V) / link.resistance_ohm
    return link_A


@inlined
def link_rates(link, drive, link_V, supply_now_A, link_A):
    """(link voltage, supply current, inverter current) => d link_V/dt [V/s], d supply_A/dt [A/s]."""
    if link.kind == CAPACITOR_AND_CHOKE:
        choke = (drive.source_V - link_V - link.resistance_ohm * supply_now_A) / link.inductance_H
        if drive.blocked:
            choke = 0.0
        return _charging(link, drive, link_V, supply_now_A, link_A), choke
    if link.kind == CAPACITOR:
        return _charging(link, drive, link_V, supply_now_A, link_A), 0.0
    return 0.0, 0.0


@inlined
def _charging(link, drive, link_V, supply_now_A, link_A):
    """=> d link_V/dt [V/s]; an empty link is charged or stays empty."""
    rate = (supply_now_A - drawn(link, drive, link_V, link_A)) / link.capacitance_F
    return 0.0 if rate < 0.0 and link_V == 0.0 else rate


@inlined
def drawn(link, drive, link_V, link_A):
    """(link voltage, inverter current) => current out of the link with chopper and auxiliary load [A]."""
    if drive.chopper_S > 0.0:
        link_A += drive.chopper_S * link_V
    if drive.auxiliary_W > 0.0:
        link_A += drive.auxiliary_W / max(link_V, LEAST_LINK_V)
    return link_A


@kernel
def set_supply(link, drive, plant, middle_s):
    """(time at the middle of a solver step [s]) => source voltage, chopper and diodes that hold during the step.

    Rectified three-phase mains: the largest line-line voltage, a cosine within 30 degrees about its crest; overlap of the
    commutating diodes is left out.
    """
    if link.line_rad_s > 0.0:
        angle = link.line_rad_s * middle_s + SIXTH
        drive.source_V = link.line_peak_V * math.cos(angle - 2.0 * SIXTH * math.floor(angle / (2.0 * SIXTH)) - SIXTH)
    if link.one_way:
        drive.blocked = 1 if plant.supply_A <= 0.0 and drive.source_V <= plant.link_V else 0
    if link.chopper_S > 0.0:
        if plant.link_V > link.chopper_on_V:
            drive.chopper_on = 1
        elif plant.link_V < link.chopper_off_V:
            drive.chopper_on = 0
    drive.chopper_S = link.short_S + (link.chopper_S if drive.chopper_on else 0.0)


@kernel
def open_circuit_voltage(link, points, charge):
    """(state of charge) => open-circuit voltage of the battery [V], linear between the curve's points, held outside."""
    at = link.curve_start
    last = at + 2 * (link.curve_count - 1)
    if charge <= points[at]:
        return points[at + 1]
    while at < last and charge > points[at + 2]:
        at += 2
    if at >= last:
        return points[last + 1]
    share = (charge - points[at]) / (points[at + 2] - points[at])
    return points[at + 1] + share * (points[at + 3] - points[at + 1])


@kernel
def begin_battery_tick(link, drive, plant, points, tick_s, last_A):
    """(battery's state, last tick's mean current) => source voltage of this tick: open circuit less the RC pair's mean.

    The pair is exact for a constant current in the tick; its mean uses the last tick's current.
    """
    if link.polarisation_s > 0.0:
        x = tick_s / link.polarisation_s
        towards = link.polarisation_ohm * last_A
        mean = (1.0 - math.exp(-x)) / x
        drive.polarisation_V = towards + (plant.polarisation_V - towards) * mean
    drive.source_V = open_circuit_voltage(link, points, plant.charge) - drive.polarisation_V


@kernel
def end_battery_tick(link, plant, tick_s, charge_C):
    """(charge out of the battery in the tick [C]) => state of charge and RC pair after it, energy lost in the pair [J]."""
    plant.charge -= charge_C / link.capacity_C
    if link.polarisation_s <= 0.0:
        return 0.0
    current, resistance = charge_C / tick_s, link.polarisation_ohm
    decay = math.exp(-tick_s / link.polarisation_s)
    rest = plant.polarisation_V - resistance * current
    plant.polarisation_V = resistance * current + rest * decay
    lost = resistance * current * current * tick_s + 2.0 * current * rest * link.polarisation_s * (1.0 - decay)
    return lost + rest * rest / resistance * 0.5 * link.polarisation_s * (1.0 - decay * decay)
