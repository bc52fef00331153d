"""Checks of torque, temperatures, commands and timing."""

import numpy as np
import pytest
from safety_cases import run, trip

from controllers import Controller
from controllers.foc import FieldOrientedController

AT_s, UPDATE_s = 0.02, 50e-6
TORQUE = {
    "supply": {"voltage_V": 700},
    "controller": {"replace": True, "mode": "torque", "tuning": {"current_bandwidth_Hz": 500}},
    "commands": {"replace": True, "torque_Nm": 50.0},
    "run": {"duration_s": 0.06},
}


class Overdone(Controller):
    """The built-in controller, which believes from 20 ms on that more was asked for."""

    def __init__(self, more_Nm):
        self.more_Nm, self.inner = more_Nm, FieldOrientedController()

    def reset(self, setup):
        self.inner.reset(setup)

    def step(self, measured):
        more = self.more_Nm if measured.time_s >= AT_s - 1e-9 else 0.0
        return self.inner.step(measured._replace(torque_reference_Nm=measured.torque_reference_Nm + more))


def overdone(more_Nm, threshold_Nm=60.0, **tables):
    check = {"reaction": "report", "threshold_Nm": threshold_Nm, "debounce_s": 5e-3}
    return run(Overdone(more_Nm), **{**TORQUE, **tables}, safety={"torque_request": check})


@pytest.mark.parametrize("more_Nm, trips", [(62.0, True), (58.0, False), (-112.0, True), (-108.0, False)])
def test_torque_that_nobody_asked_for(more_Nm, trips):
    """50 Nm asked; 60 Nm more than that, or 60 Nm against it, is the limit."""
    found = trip(overdone(more_Nm), "torque_request")
    assert bool(found) == trips
    if trips:
        assert AT_s + 5e-3 < found["at_s"] < AT_s + 9e-3
        assert found["value"] == pytest.approx(abs(more_Nm) - (50.0 if more_Nm < 0.0 else 0.0), abs=1.0)


def test_less_torque_than_asked_for_is_no_hazard():
    assert trip(overdone(-45.0, threshold_Nm=10.0), "torque_request") is None


def test_torque_may_follow_a_request_that_ends():
    """300 Nm that a slew of 5000 Nm/s takes back in 60 ms: allowed for 0.1 s, not for 0.02 s."""
    slow = {"controller": {"replace": True, "mode": "torque", "tuning": {"torque_slew_Nm_per_s": 5000.0}},
            "commands": {"replace": True, "torque_Nm": [[0.0, 200.0], [0.06, 0.0]]}, "run": {"duration_s": 0.12}}  # fmt: skip
    for fall_s, trips in ((0.1, False), (0.005, True)):
        check = {"reaction": "report", "threshold_Nm": 40.0, "fall_s": fall_s}
        found = trip(run(**{**TORQUE, **slow}, safety={"torque_request": check}), "torque_request")
        assert bool(found) == trips


def heated(value_degC, sensor="winding"):
    check = {"threshold_degC": 180.0, "derate_from_degC": 160.0, "debounce_s": 1e-3, "reaction": "gates_off"}
    return run(
        **TORQUE, fault=[{"kind": "temperature_sensor_lost", "sensor": sensor, "at_s": AT_s, "value_degC": value_degC}],
        safety={f"{sensor}_temperature": check, "ramp_down": {"time_s": 0.01}},
    )  # fmt: skip


@pytest.mark.parametrize("sensor", ["winding", "junction"])
@pytest.mark.parametrize("value_degC, share", [(159.0, 1.0), (165.0, 0.75), (175.0, 0.25), (180.0, 0.0)])
def test_over_temperature_derates_along_a_line_first(sensor, value_degC, share):
    found = heated(value_degC, sensor)
    assert trip(found, f"{sensor}_temperature") is None
    assert found["torque_Nm"][-1] == pytest.approx(50.0 * share, abs=0.3)
    states = [(state["state"], state["check"]) for state in found.monitor["states"]]
    assert states == ([("derating", f"{sensor}_temperature")] if share < 1.0 else [])


@pytest.mark.parametrize("sensor", ["winding", "junction"])
def test_over_temperature_trips_beyond(sensor):
    found = heated(181.0, sensor)
    at = trip(found, f"{sensor}_temperature")
    assert at["at_s"] == pytest.approx(AT_s + 1e-3, abs=1e-9) and at["value"] == pytest.approx(181.0)
    assert found.monitor["states"][-1]["state"] == "gates_off"


@pytest.mark.parametrize("value_degC, trips", [(-40.0, True), (-38.0, False), (260.0, True), (249.0, False)])
def test_a_temperature_that_no_healthy_sensor_shows(value_degC, trips):
    found = run(
        **TORQUE, fault=[{"kind": "temperature_sensor_lost", "sensor": "junction", "at_s": AT_s, "value_degC": value_degC}],
        safety={"temperature_range": {"debounce_s": 0.0}, "derating": {"torque_share": 0.6}, "ramp_down": {"time_s": 0.01}},
    )  # fmt: skip
    assert bool(trip(found, "temperature_range")) == trips
    assert found["torque_Nm"][-1] == pytest.approx(50.0 * (0.6 if trips else 1.0), abs=0.3)


@pytest.mark.parametrize("reads", ["held", "zero"])
def test_a_command_that_arrives_no_more(reads):
    """The first sample without it is one update old; older than 10 ms it trips, and the request is led to zero."""
    found = run(
        **TORQUE, fault=[{"kind": "command_lost", "command": "torque_Nm", "at_s": AT_s, "reads": reads}],
        safety={"command_timeout": {"threshold_s": 0.01}, "ramp_down": {"time_s": 0.01, "then": "hold"}},
    )  # fmt: skip
    assert trip(found, "command_timeout")["at_s"] == pytest.approx(AT_s + 0.01, abs=1e-9)
    assert abs(found["torque_Nm"][-1]) < 0.1


@pytest.mark.parametrize("value, trips", [(2.05, True), (-2.05, True), (1.95, False)])
def test_a_command_beyond_its_full_scale(value, trips):
    """Greatest torque of machine E at 400 A: 318.746 Nm (Morimoto et al., 1990 [M])."""
    wrong = {"kind": "command_implausible", "command": "torque_Nm", "at_s": AT_s, "value": value * 318.746}
    found = run(**TORQUE, fault=[wrong], safety={"command_implausible": {"reaction": "report", "debounce_s": 0.0}})
    at = trip(found, "command_implausible")
    assert bool(at) == trips
    if trips:
        assert at["value"] == pytest.approx(abs(value), rel=1e-4) and at["at_s"] == pytest.approx(AT_s, abs=1e-9)


@pytest.mark.parametrize("kind", ["controller_late", "controller_frozen"])
@pytest.mark.parametrize("missed, trips", [(2, False), (3, True)])
def test_updates_that_are_missed_in_a_row(kind, missed, trips):
    """Two may be missed, the third trips."""
    more = {"updates": 1} if kind == "controller_late" else {}
    fault = {"kind": kind, "at_s": AT_s, "until_s": AT_s + missed * UPDATE_s, **more}
    found = trip(run(**TORQUE, fault=[fault], safety={"update_overrun": {"reaction": "report"}}), "update_overrun")
    assert bool(found) == trips
    if trips:
        assert found["at_s"] == pytest.approx(AT_s + 2 * UPDATE_s, abs=1e-9)


def test_a_frozen_controller_is_taken_off_the_legs():
    found = run(
        **TORQUE, fault=[{"kind": "controller_frozen", "at_s": AT_s}], safety={"update_overrun": {"reaction": "gates_off"}},
    )  # fmt: skip
    assert np.abs(found["ia_A"][found.time_s > AT_s + 5e-3]).max() < 1e-6
