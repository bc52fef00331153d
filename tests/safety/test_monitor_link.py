"""Checks of the link voltage, against its sensor, its supply and its discharge."""

import math

import pytest
from safety_cases import run, trip

AT_s = 0.01


def link(check, faults, **limits):
    return trip(run(
        run={"duration_s": 0.03}, fault=[{"at_s": AT_s, **fault} for fault in faults],
        safety={check: {"reaction": "report", "debounce_s": 0.0, **limits}},
    ), check)  # fmt: skip


@pytest.mark.parametrize("factor, trips", [(1.26, True), (1.24, False)])
def test_over_voltage_trips_above_its_threshold(factor, trips):
    """400 V read 1.26 times is 504 V; threshold 500 V."""
    found = link("link_overvoltage", [{"kind": "link_voltage_sensor_gain", "factor": factor}], threshold_V=500.0)
    assert bool(found) == trips
    if trips:
        assert found["at_s"] == pytest.approx(AT_s, abs=1e-9) and found["value"] == pytest.approx(504.0)


@pytest.mark.parametrize("factor, trips", [(0.59, True), (0.61, False)])
@pytest.mark.parametrize("debounce_s", [0.0, 2e-3])
def test_under_voltage_trips_below_its_threshold(factor, trips, debounce_s):
    """A stiff supply of 400 V dips; threshold 240 V."""
    found = link("link_undervoltage", [{"kind": "supply_dip", "factor": factor}], threshold_V=240.0, debounce_s=debounce_s)
    assert bool(found) == trips
    if trips:
        assert found["at_s"] == pytest.approx(AT_s + debounce_s, abs=1e-9) and found["value"] == pytest.approx(236.0)


@pytest.mark.parametrize("within_s, trips", [(0.035, True), (0.045, False)])
def test_a_link_that_is_not_discharged_in_time(within_s, trips):
    """The contactor opens; 2 kW of auxiliaries empty 1 mF: C (V1^2 - V2^2)/(2 P) = 36.4 ms from 400 V to 120 V."""
    empty_s = 1e-3 * (400.0**2 - 120.0**2) / (2.0 * 2000.0)
    assert 0.035 < empty_s < 0.045
    found = run(
        machine={"magnet_flux_Wb": 0.0},
        inverter={"link_capacitance_F": 1e-3},
        supply={"resistance_ohm": 0.05, "inductance_H": 0.0, "auxiliary_W": 2000.0},
        load={"speed_rpm": 0.0},
        run={"duration_s": 0.08},
        fault=[{"kind": "contactor_open", "at_s": AT_s}],
        safety={"link_discharge": {"opened_at_s": AT_s, "within_s": within_s, "threshold_V": 120.0}},
    )
    at = trip(found, "link_discharge")
    assert bool(at) == trips
    if trips:
        left = math.sqrt((400.0 - 0.05 * 5.0) ** 2 - 2.0 * 2000.0 * within_s / 1e-3)
        assert at["at_s"] == pytest.approx(AT_s + within_s, abs=1e-9) and at["value"] == pytest.approx(left, rel=1e-3)
