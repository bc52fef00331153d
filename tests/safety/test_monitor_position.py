"""Checks of angle and speed, against faults of the resolver and the speed."""

import math

import pytest
from safety_cases import run, trip

AT_s = 0.02


def resolver(check, fault, angle_deg=90.0, speed_rpm=0.0, tracking_Hz=20.0, **limits):
    """=> trip of a check with one fault from 20 ms on; a resolver of as many poles as the machine, at a held angle."""
    return trip(run(
        initial={"angle_electrical_deg": angle_deg},
        load={"speed_rpm": speed_rpm},
        run={"duration_s": 0.04},
        sensors={"position": {"kind": "resolver", "pole_pairs": 4, "tracking_natural_frequency_Hz": tracking_Hz}},
        fault=[{"at_s": AT_s, **fault}],
        safety={check: {"reaction": "report", **limits}},
    ), check)  # fmt: skip


@pytest.mark.parametrize("excess, trips", [(0.26, True), (0.24, False)])
def test_the_envelope_of_the_channels_above_its_limit(excess, trips):
    """At 90 deg the sine channel is all: sqrt(sin^2 + cos^2) = 1 + imbalance; limit 1.25."""
    step = {"kind": "resolver_amplitude_step", "amplitude_imbalance": excess}
    found = resolver("resolver_envelope", step, threshold_high=1.25, debounce_s=5e-4)
    assert bool(found) == trips
    if trips:
        assert found["value"] == pytest.approx(1.26, abs=1e-9) and found["at_s"] == pytest.approx(AT_s + 5e-4, abs=1e-9)


@pytest.mark.parametrize("channel, angle_deg, left", [("sine", 60.0, 0.5), ("cosine", 60.0, math.sin(math.radians(60.0)))])
def test_the_envelope_of_one_channel_below_its_limit(channel, angle_deg, left):
    lost = {"kind": "resolver_channel_lost", "channel": channel}
    found = resolver("resolver_envelope", lost, angle_deg, threshold_low=0.9)
    assert found["value"] == pytest.approx(left, abs=1e-9)
    assert resolver("resolver_envelope", lost, angle_deg, threshold_low=left - 0.01) is None


@pytest.mark.parametrize("threshold_deg, trips", [(9.5, True), (10.5, False)])
def test_the_tracking_error_after_a_step_of_the_channels(threshold_deg, trips):
    """At 90 deg a quadrature error of 10 deg moves atan2(sin x, cos(x + 10 deg)) by atan(sin 10 deg) = 9.85 deg at once."""
    step = {"kind": "resolver_quadrature_step", "quadrature_error_deg": 10.0}
    found = resolver("resolver_tracking", step, threshold_deg=threshold_deg, debounce_s=0.0)
    assert bool(found) == trips
    if trips:
        assert found["at_s"] == pytest.approx(AT_s, abs=51e-6)
        assert found["value"] == pytest.approx(math.degrees(math.atan(math.sin(math.radians(10.0)))), abs=0.2)


def test_a_lost_excitation_leaves_no_envelope():
    found = resolver("resolver_envelope", {"kind": "resolver_excitation_lost"}, speed_rpm=1000.0)
    assert found["value"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("threshold_rpm, trips", [(490.0, True), (510.0, False)])
@pytest.mark.parametrize("to_rpm", [1500.0, 500.0])
def test_a_jump_of_the_speed(threshold_rpm, trips, to_rpm):
    found = trip(run(
        load={"speed_rpm": [[0.0, 1000.0], [AT_s, to_rpm]]}, run={"duration_s": 0.04},
        safety={"speed_jump": {"reaction": "report", "threshold_rpm": threshold_rpm, "debounce_s": 0.0}},
    ), "speed_jump")  # fmt: skip
    assert bool(found) == trips
    if trips:
        assert found["at_s"] == pytest.approx(AT_s, abs=1e-9) and found["value"] == pytest.approx(500.0)


@pytest.mark.parametrize("rpm_per_s, trips", [(1.05e5, True), (0.95e5, False)])
def test_a_speed_that_rises_steadily_jumps_by_its_rate_times_the_follower(rpm_per_s, trips):
    """A first-order follower lags a ramp by rate x time constant: 5 ms x 1e5 rpm/s is 500 rpm."""
    ramp = {"shape": "linear", "points": [[0.0, 0.0], [0.04, 0.04 * rpm_per_s]]}
    found = trip(run(
        load={"speed_rpm": ramp}, run={"duration_s": 0.04},
        safety={"speed_jump": {"reaction": "report", "threshold_rpm": 500.0}},
    ), "speed_jump")  # fmt: skip
    assert bool(found) == trips


def test_a_doubted_speed_does_not_choose_the_safe_state():
    """The resolver's excitation goes at 6000 rpm: the reported speed runs away, the choice goes by the speed before."""
    found = run(
        load={"speed_rpm": 6000.0}, supply={"voltage_V": 700}, run={"duration_s": 0.05},
        sensors={"position": {"kind": "resolver", "pole_pairs": 4}},
        fault=[{"kind": "resolver_excitation_lost", "at_s": AT_s}],
        safety={"resolver_envelope": {}, "safe_state": {"active_short_above_rpm": 5000.0, "gates_off_below_rpm": 4000.0}},
    )  # fmt: skip
    assert [state["state"] for state in found.monitor["states"]] == ["active_short_low"]
