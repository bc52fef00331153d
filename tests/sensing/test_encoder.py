"""Incremental encoder: counts, index, lost counts, a wrong number of lines, speed from counts."""

import math

import numpy as np
import pytest


def angles(run_scenario, speed_rpm=3000.0, duration_s=0.1, **position):
    position = {"kind": "encoder", **position}
    recording = run_scenario(sensors={"position": position}, load={"speed_rpm": speed_rpm}, run={"duration_s": duration_s})
    return recording, recording["angle_error_deg"]


def test_the_error_of_a_good_encoder_is_within_one_count_behind(run_scenario):
    _, error = angles(run_scenario, lines=1024)
    count_deg = 360.0 * 4 / 4096
    assert -count_deg - 1e-6 <= error.min() and error.max() <= 1e-6
    assert error.mean() == pytest.approx(-0.5 * count_deg, rel=0.1)


def test_one_lost_count_a_turn_adds_up_without_an_index_and_is_mended_by_one(run_scenario):
    step = 360.0 * 4 / (4 * 4096)
    _, error = angles(run_scenario, lines=4096, index=False, lost_counts_per_turn=1)
    # 0.1 s at 3000 rpm: five turns, five passes of the dirty place.
    assert error[-1] == pytest.approx(-5.0 * step, abs=1.05 * step)
    _, mended = angles(run_scenario, lines=4096, index=True, lost_counts_per_turn=1)
    assert mended.min() >= -2.0 * step - 1e-6


def test_backwards_the_same_place_loses_counts_with_the_other_sign(run_scenario):
    step = 360.0 * 4 / (4 * 4096)
    _, error = angles(run_scenario, speed_rpm=-3000.0, lines=4096, index=False, lost_counts_per_turn=1)
    assert error[-1] == pytest.approx(5.0 * step, abs=1.05 * step)


def test_a_wrong_number_of_lines_scales_angle_and_speed(run_scenario):
    recording, error = angles(run_scenario, lines=1024, believed_lines=1000, index=False, duration_s=0.01)
    turned_deg = 3000.0 / 60.0 * 0.00995 * 360.0 * 4
    assert error[-1] == pytest.approx(turned_deg * 0.024, abs=0.5)
    recording, _ = angles(run_scenario, lines=1024, believed_lines=1000, index=False)
    assert recording.measure("speed_measured_rpm", "mean", from_s=0.05) == pytest.approx(3072.0, rel=1e-3)


def test_the_speed_filter_is_a_first_order_low_pass(run_scenario):
    load = {"speed_rpm": [[0.0, 1000.0], [0.02, 2000.0]]}
    position = {"kind": "encoder", "lines": 100_000, "speed_filter_Hz": 50.0}
    recording = run_scenario(sensors={"position": position}, load=load, run={"duration_s": 0.05})
    after = 0.02 + 1.0 / (2.0 * math.pi * 50.0)
    seen = np.interp(after, recording.time_s, recording["speed_measured_rpm"])
    assert seen == pytest.approx(1000.0 + 1000.0 * (1.0 - math.exp(-1.0)), rel=0.01)
