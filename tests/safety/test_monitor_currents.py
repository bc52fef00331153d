"""Checks of the phase currents alone, against faults of their sensors."""

import pytest
from safety_cases import run, trip

AT_s, UPDATE_s = 0.02, 50e-6
TURNING = {"commands": {"id_A": 0.0, "iq_A": 100.0}, "run": {"duration_s": 0.04}}


def failed(check, fault, phases="abc", range_A=0.0, at_s=AT_s, duration_s=0.04, **limits):
    """=> Recording of 100 A at 1000 rpm with one fault from 20 ms on and one check that reports."""
    return run(
        **{**TURNING, "run": {"duration_s": duration_s}},
        sensors={"current": {"phases": phases, "range_A": range_A}},
        fault=[{"at_s": at_s, **fault}],
        safety={check: {"reaction": "report", **limits}},
    )


def offset(value_A, phase="a"):
    return {"kind": "current_sensor_offset", "phase": phase, "value_A": value_A}


@pytest.mark.parametrize("phase", ["a", "b", "c"])
@pytest.mark.parametrize("value_A", [26.0, -26.0])
def test_the_sum_of_three_currents_is_an_offset(phase, value_A):
    """ia + ib + ic is the one sensor's offset, from the first sample with it; the check trips 1 ms later."""
    found = trip(failed("current_sum", offset(value_A, phase), threshold_A=25.0, debounce_s=1e-3), "current_sum")
    assert found["at_s"] == pytest.approx(AT_s + 1e-3, abs=1e-9) and found["value"] == pytest.approx(26.0, abs=1e-6)
    assert trip(failed("current_sum", offset(0.9 * value_A, phase), threshold_A=25.0), "current_sum") is None


def test_two_sensors_have_no_sum():
    found = failed("current_sum", offset(26.0), phases="ab", threshold_A=25.0)
    assert found.monitor["checks"] == 0 and found.monitor["trips"] == []
    assert any("safety.current_sum: needs three current sensors; it is left out" in one for one in found.findings)


@pytest.mark.parametrize("reads", ["high", "low"])
def test_a_lost_sensor_lies_at_the_end_of_its_range(reads):
    lost = {"kind": "current_sensor_lost", "phase": "b", "reads": reads}
    found = trip(failed("current_range", lost, range_A=500.0, debounce_s=2e-4), "current_range")
    assert found["at_s"] == pytest.approx(AT_s + 2e-4, abs=1e-9) and found["value"] == 500.0
    healthy = {"kind": "current_sensor_gain", "phase": "b", "factor": 1.1}
    assert trip(failed("current_range", healthy, range_A=500.0), "current_range") is None


def test_a_sensor_that_stands_still_while_the_rotor_turns():
    """At 50 ms the d axis has turned through 1200 deg: ib = -100 sin(x - 120 deg) crosses zero and would go 100 A in a radian.

    20 A are passed within a seventh of a radian at 419 rad/s, half a millisecond, as the others go on turning.
    """
    stuck = {"kind": "current_sensor_stuck", "phase": "b"}
    found = trip(failed("current_stuck", stuck, at_s=0.05, duration_s=0.06, threshold_A=20.0, debounce_s=0.0), "current_stuck")
    assert found["at_s"] == pytest.approx(0.05 + 0.2 / 418.9, abs=151e-6)


def test_a_healthy_current_is_not_taken_for_stuck():
    """It leaves its band of 0.1 % of 400 A as soon as it has gone that way."""
    nothing = {"kind": "current_sensor_offset", "phase": "a", "value_A": 0.0}
    assert trip(failed("current_stuck", nothing, threshold_A=6.0, debounce_s=0.0), "current_stuck") is None


@pytest.mark.parametrize("fault, trips", [
    ({"kind": "current_sensor_lost", "phase": "a", "reads": "high"}, True),
    ({"kind": "current_sensor_saturated", "phase": "a", "value_A": 90.0}, False),
    ({"kind": "current_sensor_offset", "phase": "a", "value_A": 60.0}, True),
])  # fmt: skip
def test_the_comparator_sees_what_fails_in_front_of_the_converter(fault, trips):
    found = run(
        **TURNING, sensors={"current": {"range_A": 500.0}}, fault=[{"at_s": AT_s, **fault}],
        safety={"overcurrent_fast": {"threshold_A": 115.0, "reaction": "gates_off"}},
    )  # fmt: skip
    assert bool(trip(found, "overcurrent_fast")) == trips
