"""Verdicts: value against limit, in the form of metrics.json."""

from types import SimpleNamespace

import numpy as np
import pytest
from measured_fake import FakeRecording, rows

from simcore.measure import (
    audit_verdict,
    binding_shares,
    judge,
    limits_reported,
    lowest_voltage_margin,
    negative_margin_share,
    summarise,
)

TIME_S = rows(0.1, 1e-3)
RECORDING = FakeRecording(TIME_S, {"torque_Nm": np.full(100, 5.0), "torque_reference_Nm": np.full(100, 5.0)})


@pytest.mark.parametrize(
    "limit, passed",
    [
        ({"min": 4.0}, True),
        ({"min": 5.0, "max": 5.0}, True),
        ({"max": 4.9}, False),
        ({"min": 5.1, "max": 6.0}, False),
        ({"equal": 5.2, "tolerance": 0.21}, True),
        ({"equal": 5.2, "tolerance": 0.1}, False),
        ({"equal": 5.0}, True),
    ],
)
def test_limits_hold_both_ways(limit, passed):
    expectation = SimpleNamespace(signal="torque_Nm", measure="mean", from_s=0.05, to_s=None, band_percent=2.0, **limit)
    (verdict,) = judge(RECORDING, [expectation])
    assert verdict == {
        "signal": "torque_Nm", "measure": "mean", "value": 5.0, "limit": limit, "passed": passed, "from_s": 0.05,
    }  # fmt: skip


def test_no_number_is_no_pass_and_says_why():
    (verdict,) = judge(RECORDING, [{"signal": "torque_Nm", "measure": "rise_time_s", "step_at_s": 0.05, "max": 1.0}])
    assert np.isnan(verdict["value"]) and verdict["passed"] is False
    assert "does not change" in verdict["reason"]


def test_shares_of_the_limits_and_the_least_margin_are_counted():
    codes = np.array([0] * 50 + [2] * 25 + [1] * 25)
    margin = np.linspace(30, -2, 100)
    margin[:3] = np.nan
    recording = FakeRecording(TIME_S, {"binding_limit": codes, "voltage_margin_V": margin})
    assert binding_shares(recording) == {"none": 0.5, "current": 0.25, "voltage": 0.25}
    assert lowest_voltage_margin(recording) == (-2.0, pytest.approx(0.099))
    summary = summarise(recording)
    assert summary["voltage_margin_min_V"] == -2.0 and summary["binding_limit_codes"]["mtpv"] == 4
    assert np.isnan(summary["torque_Nm_mean"])
    # From 30 V to -2 V in 99 even steps: the last seven rows of 97 finite ones lie below zero.
    assert summary["voltage_margin_negative_share"] == pytest.approx(7 / 97)


def test_a_controller_that_reports_no_limit_is_not_taken_for_one_without():
    signals = {"binding_limit": np.zeros(100), "voltage_margin_V": np.full(100, np.nan)}
    silent = FakeRecording(TIME_S, signals)
    assert not limits_reported(silent) and binding_shares(silent) == {}
    assert np.isnan(negative_margin_share(silent)) and np.isnan(lowest_voltage_margin(silent)[0])
    assert summarise(silent)["binding_limit_shares"] == {}
    silent["binding_limit"][3] = 1
    assert limits_reported(silent) and binding_shares(silent) == {"none": 0.99, "current": 0.01}
    telling = FakeRecording(TIME_S, {**signals, "voltage_margin_V": np.full(100, 5.0), "binding_limit": np.zeros(100)})
    assert binding_shares(telling) == {"none": 1.0} and negative_margin_share(telling) == 0.0


def test_codes_equal_a_whole_number_exactly():
    recording = FakeRecording(TIME_S, {"binding_limit": np.repeat([0, 4], 50)})
    asked = [
        {"signal": "binding_limit", "measure": "final", "equal": 4},
        {"signal": "binding_limit", "measure": "mean", "equal": 4},
    ]
    assert [verdict["passed"] for verdict in judge(recording, asked)] == [True, False]


def test_the_audit_names_the_substeps_that_would_do():
    """omega_e at 12000 rpm and p = 4 is 5026.5 rad/s: 50 us in 2 steps turn 0.1257 rad each, in 5 below 0.06."""
    scenario = SimpleNamespace(
        machine=SimpleNamespace(pole_pairs=4), run=SimpleNamespace(substeps=2), tick_s=50e-6,
        inverter=SimpleNamespace(model="averaged"),
    )  # fmt: skip
    recording = FakeRecording(TIME_S, {"speed_rpm": np.full(100, -12000.0)}, audit={"residual_relative": 3e-6})
    recording.scenario = scenario
    verdict = audit_verdict(recording)
    assert verdict["aim"] == 1e-6 and not verdict["met"] and verdict["substeps_that_would_do"] == 5
    assert verdict["angle_per_step_rad"] == pytest.approx(0.125664, rel=1e-5)
    recording["speed_rpm"][:] = 3000.0
    # A residual three times the aim with a short step: fourth order needs 2 x 3^(1/4) = 2.63 substeps.
    assert audit_verdict(recording)["substeps_that_would_do"] == 3
    scenario.inverter.model = "switched"
    assert audit_verdict(recording)["met"]
