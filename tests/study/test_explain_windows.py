"""Steady windows and the orders in them, on signals by formula; amplitudes and noise against closed forms."""

from fractions import Fraction

import numpy as np
import pytest
from explain_signals import POLE_PAIRS, TICK_S, turning

from simcore.study.explain.orders import candidate_orders, order_content
from simcore.study.explain.windows import steady_windows


def only_window(recording):
    (window,) = steady_windows(recording)
    return window


def test_a_steady_run_is_one_window_of_whole_turns():
    # 1200 rpm: a turn is 50 ms, 1000 rows; 0.32 s hold six whole ones, counted back from the end.
    window = only_window(turning(1200.0, duration_s=0.32))
    assert (window.turns, window.stop) == (6, 6399)
    assert window.stop - window.first == pytest.approx(6000, abs=1)
    assert window.electrical_Hz == pytest.approx(1200 / 60 * POLE_PAIRS) and window.speed_rpm == pytest.approx(1200.0)
    assert window.to_s - window.from_s == pytest.approx(0.3, abs=2 * TICK_S)
    assert abs(window.angle_rad[-1] - window.angle_rad[0]) == pytest.approx(2 * np.pi * 6 * POLE_PAIRS, rel=1e-3)


def test_a_command_s_step_parts_two_windows_and_the_settling_is_left_out():
    # After the step at 0.5 s iq settles with 20 ms; the window begins with the first turn (50 ms) that is off by below 0.5 %.
    time_s = np.arange(20000) * TICK_S
    iq = np.where(time_s < 0.5, 100.0, 50.0 + 50.0 * np.exp(-(time_s - 0.5) / 0.02))
    first, second = steady_windows(turning(1200.0, duration_s=1.0, iq_A=iq, commands={"iq_A": (0.0, 0.5)}))
    assert first.from_s == pytest.approx(0.0, abs=0.051) and first.to_s == pytest.approx(0.5, abs=2 * TICK_S)
    # The mean of a turn that begins t after the step is off by 50 A 0.02/0.05 (1 - e^-2.5) e^(-t/0.02): 0.25 A at 86 ms.
    settled = 0.5 + 0.02 * np.log(50 * 0.4 * (1 - np.exp(-2.5)) / (0.005 * 50.0))
    assert settled <= second.from_s <= settled + 0.05 + TICK_S and second.to_s == pytest.approx(1.0, abs=2 * TICK_S)


def test_the_longest_windows_are_taken_in_the_order_of_time():
    instants = (0.0, 0.5, 0.62, 0.75, 1.4)
    time_s = np.arange(40000) * TICK_S
    iq = np.array([20.0, 40.0, 60.0, 80.0, 100.0])[np.searchsorted(instants, time_s + 1e-9) - 1]
    windows = steady_windows(turning(1200.0, duration_s=2.0, iq_A=iq, commands={"iq_A": instants}))
    assert [round(window.to_s, 3) for window in windows] == [0.5, 1.4, 2.0]


def test_few_turns_give_whole_electrical_periods_only():
    # 0.1 s at 1200 rpm: two turns are there, but not two and a half; eight electrical periods.
    window = only_window(turning(1200.0, duration_s=0.1))
    assert window.turns == 0 and window.stop - window.first == pytest.approx(1750, abs=2)


@pytest.mark.parametrize(
    ("rpm", "every"),
    [(0.0, 1), (20.0, 1), (12000.0, 4)],
    ids=["at rest", "one electrical period", "eight rows a period"],
)
def test_without_two_periods_or_enough_rows_nothing_is_steady(rpm, every):
    # 20 rpm in 0.3 s: 0.4 periods. 12 000 rpm: 800 Hz, a row every 200 us gives 6.25 a period.
    assert steady_windows(turning(rpm, every=every)) == []


def test_a_speed_that_still_rises_is_not_steady():
    assert steady_windows(turning(np.linspace(0.0, 3000.0, 6000))) == []


def test_only_what_follows_the_last_reversal_counts():
    rpm = np.where(np.arange(12000) < 6000, 1200.0, -1200.0)
    window = only_window(turning(rpm, duration_s=0.6))
    assert window.speed_rpm == pytest.approx(-1200.0, rel=1e-6) and window.from_s >= 0.3


def test_a_long_run_is_cut_to_its_latest_turns():
    window = only_window(turning(1200.0, duration_s=3.0))
    assert (window.turns, window.stop) == (24, 59999) and window.stop - window.first == pytest.approx(24000, abs=1)


def test_orders_have_the_amplitudes_that_were_put_in():
    recording = turning(
        1210.0, duration_s=0.4, id_A=lambda x: -50.0 + 0.3 * np.cos(x - 0.4),
        iq_A=lambda x: 100.0 + 2.0 * np.sin(6 * x) + 0.03 * np.cos(6.25 * x) + 0.5 * np.cos(x / 4) + 0.7 * np.sin(2 * x + 1.0),
        torque_Nm=lambda x: 40.0 + 0.25 * np.cos(24 * x),
    )  # fmt: skip
    content = order_content(recording, only_window(recording))
    assert set(content.seen) == {Fraction(1, 4), Fraction(1), Fraction(2), Fraction(6), Fraction(25, 4), Fraction(24)}
    for order, expected in (
        (Fraction(1), {"id_A": 0.3}), (Fraction(2), {"iq_A": 0.7}), (Fraction(6), {"iq_A": 2.0}),
        (Fraction(1, 4), {"iq_A": 0.5}), (Fraction(25, 4), {"iq_A": 0.03}), (Fraction(24), {"torque_Nm": 0.25}),
    ):  # fmt: skip
        assert content.row(order) == pytest.approx(expected, rel=1e-6)


def test_a_slow_drift_is_no_order():
    steady = turning(1200.0, duration_s=0.4, torque_Nm=lambda x: 40.0 + 0.2 * np.sin(x))
    drifting = turning(1200.0, duration_s=0.4, torque_Nm=lambda x: 40.0 + 0.2 * np.sin(x) + 1e-4 * x)
    (a, b) = (order_content(recording, only_window(recording)) for recording in (steady, drifting))
    assert b.seen == a.seen == (Fraction(1),) and b.row(Fraction(1))["torque_Nm"] == pytest.approx(0.2, rel=1e-6)


def test_white_noise_has_the_floor_of_its_fourier_amplitude():
    # The amplitude of N rows of white noise at one frequency is 2 sigma/sqrt(N) rms; four times that counts as seen.
    random = np.random.default_rng(5)
    recording = turning(1200.0, duration_s=0.6, torque_Nm=0.0)
    recording["torque_Nm"] += 40.0 + 0.5 * random.standard_normal(12000)
    window = only_window(recording)
    content = order_content(recording, window, ("torque_Nm",))
    expected = 4.0 * 2.0 * 0.5 / np.sqrt(window.stop - window.first)
    assert np.median(content.floors["torque_Nm"]) == pytest.approx(expected, rel=0.1)
    assert len(content.seen) <= 1  # 96 orders: exp(-16) each


def test_coloured_noise_hides_orders_only_where_it_is():
    # A random walk's spectrum falls with frequency: the same 0.2 Nm is lost in it at order 1 and seen at order 20.
    random = np.random.default_rng(6)
    walk = np.cumsum(0.05 * random.standard_normal(12000))
    recording = turning(1200.0, duration_s=0.6, torque_Nm=lambda x: 40.0 + 0.1 * np.cos(x) + 0.1 * np.cos(20 * x))
    recording["torque_Nm"] += walk
    content = order_content(recording, only_window(recording), ("torque_Nm",))
    assert Fraction(20) in content.seen and Fraction(1) not in content.seen


def test_orders_reach_as_high_as_the_rows_tell_apart():
    # 6000 rpm, 400 Hz electrical: rows of 150 us give 16.7 a period, so 8.3 orders, less a tenth.
    recording = turning(6000.0, every=3, duration_s=0.3)
    window = only_window(recording)
    orders = candidate_orders(window, POLE_PAIRS, window.angle_rad)
    assert max(orders) == 7 and min(orders) == Fraction(1, 4)
    recording = turning(6000.0, duration_s=0.015)
    window = only_window(recording)
    assert window.turns == 0 and candidate_orders(window, POLE_PAIRS, window.angle_rad)[:2] == (1, 2)


def test_signals_that_are_missing_or_no_numbers_are_left_out():
    recording = turning(1200.0, duration_s=0.4, torque_Nm=lambda x: 40.0 + 0.2 * np.sin(x), angle_error_deg=np.nan)
    content = order_content(recording, only_window(recording))
    assert set(content.amplitudes) == {"id_A", "iq_A", "torque_Nm", "speed_rpm"}
