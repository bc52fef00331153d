"""The link: a source behind resistance and inductance, and the link capacitor.  The source takes regeneration.

Kirchhoff's laws; checked: tests/plant/test_link.py against the closed forms of the RC and RLC circuit.
"""

from simcore.kernel import inlined
from simcore.plant.records import CAPACITOR, CAPACITOR_AND_CHOKE


@inlined
def supply_current(link, link_V, supply_A, link_A):
    """(link voltage, choke current, inverter current) => current out of the supply [A]."""
    if link.kind == CAPACITOR_AND_CHOKE:
        return supply_A
    if link.kind == CAPACITOR:
        return (link.source_V - link_V) / link.resistance_ohm
    return link_A


@inlined
def link_rates(link, link_V, supply_now_A, link_A):
    """(link voltage, supply current, inverter current) => d link_V/dt [V/s], d supply_A/dt [A/s]."""
    if link.kind == CAPACITOR_AND_CHOKE:
        choke = (link.source_V - link_V - link.resistance_ohm * supply_now_A) / link.inductance_H
        return (supply_now_A - link_A) / link.capacitance_F, choke
    if link.kind == CAPACITOR:
        return (supply_now_A - link_A) / link.capacitance_F, 0.0
    return 0.0, 0.0
