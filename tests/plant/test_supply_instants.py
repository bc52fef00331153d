"""The supply at one instant: the rectified mains wave, and the end of a rectifier's current."""

import math

import pytest
from shared_records import record

from simcore.plant.link import set_supply
from simcore.plant.rates import NO_CROSSING, NO_SUPPLY, first_crossing
from simcore.plant.records import CAPACITOR, CAPACITOR_AND_CHOKE, DRIVE, LINK, PLANT_STATE, SHAFT

PEAK_V, OMEGA = 565.7, 2.0 * math.pi * 50.0


@pytest.mark.parametrize("at_s", [0.0, 0.4e-3, 1.5e-3, 2.1e-3, 7.7e-3, 19.9e-3])
def test_the_source_is_the_largest_of_six_line_voltages(at_s):
    """Bridge of six diodes: the highest phase less the lowest; u_ab is at its crest at time zero."""
    drive = record(DRIVE)
    set_supply(record(LINK, line_rad_s=OMEGA, line_peak_V=PEAK_V), drive, record(PLANT_STATE), at_s)
    phases = [PEAK_V / math.sqrt(3.0) * math.cos(OMEGA * at_s + math.radians(shift)) for shift in (-30.0, -150.0, 90.0)]
    assert drive["source_V"] == pytest.approx(max(phases) - min(phases), rel=1e-12)


def crossing(kind, before, after, source_V=560.0):
    """(link voltage and choke current before a step, after it) => what lies in the step."""
    plant = record(PLANT_STATE, link_V=before[0], supply_A=before[1])
    x = [0.0] * 23
    x[4], x[5] = after
    return first_crossing(record(SHAFT), record(LINK, kind=kind, one_way=1), record(DRIVE, source_V=source_V), plant, tuple(x))


def test_a_rectifier_stops_where_the_link_rises_above_its_source():
    """Behind a resistance the diodes' current is (source - link)/R."""
    assert crossing(CAPACITOR, (559.0, 0.0), (561.0, 0.0)) == NO_SUPPLY
    assert crossing(CAPACITOR, (555.0, 0.0), (559.0, 0.0)) == NO_CROSSING


def test_behind_a_choke_the_current_itself_has_to_end():
    assert crossing(CAPACITOR_AND_CHOKE, (559.0, 3.0), (561.0, -1.0)) == NO_SUPPLY
    assert crossing(CAPACITOR_AND_CHOKE, (559.0, 3.0), (561.0, 1.0)) == NO_CROSSING
