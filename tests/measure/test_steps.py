"""Step measures against step responses whose numbers are published."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from measured_fake import FakeRecording, held, rows

from simcore.measure import MeasureError, measure_signal

STEP_S = 0.01


def second_order(damping, natural):
    """Unit step response of wn^2/(s^2 + 2 z wn s + wn^2), z < 1 (any control textbook)."""
    damped = natural * np.sqrt(1 - damping**2)
    phase = np.arccos(damping)

    def response(t):
        t = np.maximum(t, 0.0)
        return 1 - np.exp(-damping * natural * t) * np.sin(damped * t + phase) / np.sin(phase)

    return response


def recording_of(response, *, before=0.0, after=1.0, row_s=1e-5, duration_s=0.1, points=None, tick_s=None):
    time_s = rows(duration_s, row_s)
    reference = held(time_s, points or [(0.0, before), (STEP_S, after)])
    answer = before + (after - before) * response(time_s - STEP_S)
    recording = FakeRecording(time_s, {"torque_Nm": answer, "torque_reference_Nm": reference})
    if tick_s:
        recording.scenario = SimpleNamespace(tick_s=tick_s)
    return recording


def measured(recording, measure, **options):
    return measure_signal(recording, "torque_Nm", measure, **{"step_at_s": STEP_S, **options})


@pytest.mark.parametrize("before, after", [(0.0, 1.0), (150.0, -150.0), (-20.0, 35.0)])
def test_magnitude_optimum_has_its_published_numbers(before, after):
    """1/(2 T^2 s^2 + 2 T s + 1): overshoot exp(-pi) = 4.321392 %, 2 % settling 8.4323 T.

    Kessler 1955; Umland and Safiuddin, IEEE TIA 26(3) 1990 (both from memory); numbers derived.
    """
    small = 1e-3
    recording = recording_of(second_order(np.sqrt(0.5), np.sqrt(0.5) / small), before=before, after=after)
    assert measured(recording, "overshoot_percent") == pytest.approx(4.321392, abs=2e-5)
    assert measured(recording, "settling_time_s") == pytest.approx(8.4323 * small, abs=1e-4 * small)
    assert measured(recording, "steady_error") == pytest.approx(0.0, abs=1e-12)


def test_the_peak_of_the_magnitude_optimum_lies_at_2_pi_time_constants():
    """Peak at 6.2832 T (same sources): cut the window there, and the last row is the largest."""
    recording = recording_of(second_order(np.sqrt(0.5), np.sqrt(0.5) / 1e-3))
    peak_s = STEP_S + 2 * np.pi * 1e-3
    assert measured(recording, "overshoot_percent", to_s=peak_s + 1e-5) == pytest.approx(4.321392, abs=2e-5)
    assert measured(recording, "overshoot_percent", to_s=peak_s - 1e-3) < 4.2


@pytest.mark.parametrize("damping", [0.2, 0.5, 0.7071, 0.9])
def test_overshoot_of_second_order_is_exp_of_minus_pi_z_over_root(damping):
    """exp(-pi z / sqrt(1 - z^2)) (any control textbook, e.g. Ogata, from memory)."""
    recording = recording_of(second_order(damping, 2000.0))
    expected = 100 * np.exp(-np.pi * damping / np.sqrt(1 - damping**2))
    assert measured(recording, "overshoot_percent") == pytest.approx(expected, abs=0.02 * expected + 1e-3)


@pytest.mark.parametrize("row_s", [1e-5, 1e-4])
def test_first_order_rises_in_ln_9_and_settles_in_ln_50_time_constants(row_s):
    """Rise 10-90 % of 1 - exp(-t/T) is ln 9 T (Harnefors and Nee 1998, from memory; elementary); 2 % band: ln 50 T."""
    small = 2e-3
    recording = recording_of(lambda t: 1 - np.exp(-np.maximum(t, 0) / small), row_s=row_s)
    # Straight lines between rows: relative error of an exponential is up to (row/T)^2 / 8.
    slack = small * (row_s / small) ** 2
    assert measured(recording, "rise_time_s") == pytest.approx(np.log(9) * small, abs=slack)
    assert measured(recording, "settling_time_s") == pytest.approx(np.log(50) * small, abs=slack)
    assert measured(recording, "settling_time_s", band_percent=5) == pytest.approx(np.log(20) * small, abs=slack)
    assert measured(recording, "overshoot_percent") == 0.0


def test_settling_is_the_last_exit_not_the_first_entry():
    """z = 0.2 rings through the 2 % band many times; envelope gives the upper bound -ln(0.02 sqrt(1-z^2))/(z wn)."""
    natural, damping = 2000.0, 0.2
    recording = recording_of(second_order(damping, natural), row_s=1e-6, duration_s=0.05)
    settling = measured(recording, "settling_time_s")
    bound = -np.log(0.02 * np.sqrt(1 - damping**2)) / (damping * natural)
    half_swing = np.pi / (natural * np.sqrt(1 - damping**2))
    assert bound - half_swing < settling <= bound
    response = second_order(damping, natural)
    assert abs(response(np.array(settling)) - 1) == pytest.approx(0.02, abs=1e-5)
    assert np.all(abs(response(np.linspace(settling * 1.0001, 0.04, 20000)) - 1) < 0.02)


def test_the_window_ends_at_the_next_change_of_the_reference_or_at_to_s():
    def decay(t):
        return 1 - np.exp(-np.maximum(t, 0) / 1e-3)

    recording = recording_of(decay, points=[(0, 0), (STEP_S, 1), (0.012, 5), (0.03, 1)])
    with pytest.raises(MeasureError, match="Not settled"):
        measured(recording, "settling_time_s")
    assert measured(recording, "steady_error") == pytest.approx(np.exp(-1.9), abs=5e-3)
    quiet = recording_of(decay)
    with pytest.raises(MeasureError, match="Not settled"):
        measured(quiet, "settling_time_s", to_s=0.0125)


def test_a_step_that_is_not_there_is_refused_with_the_places_where_it_is():
    recording = recording_of(lambda t: (t >= 0) * 1.0)
    with pytest.raises(MeasureError, match="changes at 0.01 s"):
        measured(recording, "rise_time_s", step_at_s=0.05)
    constant = recording_of(lambda t: 0 * t, points=[(0, 1)])
    with pytest.raises(MeasureError, match="constant"):
        measured(constant, "rise_time_s")


def test_an_answer_that_never_arrives_has_no_rise_time():
    recording = recording_of(lambda t: 0.8 * (t >= 0))
    with pytest.raises(MeasureError, match="never reaches 90%"):
        measured(recording, "rise_time_s")
    assert measured(recording, "steady_error") == pytest.approx(0.2, rel=1e-12)


def test_without_step_at_s_the_first_change_is_taken():
    recording = recording_of(second_order(0.5, 2000.0))
    assert measured(recording, "overshoot_percent", step_at_s=None) == measured(recording, "overshoot_percent")


def test_a_step_in_the_first_row_starts_from_the_signal_itself():
    time_s = rows(0.02, 1e-5)
    answer = 3.0 + 7.0 * (1 - np.exp(-time_s / 1e-3))
    recording = FakeRecording(time_s, {"iq_A": answer, "iq_reference_A": np.full(len(time_s), 10.0)})
    rise = measure_signal(recording, "iq_A", "rise_time_s", step_at_s=0.0)
    assert rise == pytest.approx(np.log(9) * 1e-3, abs=1e-7)


def test_a_ramped_reference_is_one_step_of_its_full_height():
    """A first-order lag behind a ramp of length L: after the ramp the distance decays from T (1 - exp(-L/T)) / L."""
    time_s = rows(0.1, 1e-5)
    small, length = 1e-3, 20e-3
    reference = 50 * np.clip((time_s - STEP_S) / length, 0, 1)
    t = np.maximum(time_s - STEP_S, 0)
    lag = np.where(t < length, (t - small * (1 - np.exp(-t / small))) / length, 0)
    late = 1 - small / length * (1 - np.exp(-length / small)) * np.exp(-(t - length) / small)
    recording = FakeRecording(
        time_s, {"torque_Nm": 50 * np.where(t < length, lag, late), "torque_reference_Nm": reference}
    )
    settling = measured(recording, "settling_time_s")
    assert settling == pytest.approx(length + small * np.log(small / length / 0.02), abs=1e-6)
    assert measured(recording, "overshoot_percent") == pytest.approx(0.0, abs=1e-9)


def test_the_step_is_timed_at_its_tick_when_rows_are_sparse():
    """Rows of 20 ticks of 50 us, the step on tick 207 = 10.35 ms: between the rows at 10 and 11 ms."""
    time_s = rows(0.05, 1e-3)
    at_s = 207 * 50e-6
    answer = 1 - np.exp(-np.maximum(time_s - at_s, 0) / 5e-3)
    recording = FakeRecording(time_s, {"torque_Nm": answer, "torque_reference_Nm": (time_s >= at_s) * 1.0})
    recording.scenario = SimpleNamespace(tick_s=50e-6)
    settling = measure_signal(recording, "torque_Nm", "settling_time_s", step_at_s=0.01034, band_percent=10)
    assert settling == pytest.approx(np.log(10) * 5e-3, abs=5e-5)


def test_reference_noise_below_a_thousandth_of_the_step_ends_no_window():
    recording = recording_of(second_order(0.5, 2000.0))
    noise = np.random.default_rng(3).standard_normal(len(recording.time_s)).clip(-3, 3)
    recording["torque_reference_Nm"] += 1e-4 * noise
    assert measured(recording, "overshoot_percent") == pytest.approx(16.3, abs=0.2)


@settings(max_examples=40, deadline=None)
@given(
    damping=st.floats(0.2, 0.95), scale=st.floats(-1e3, 1e3).filter(lambda x: abs(x) > 1e-2), shift=st.floats(-1e3, 1e3)
)
def test_step_measures_know_no_direction_no_unit_and_no_zero(damping, scale, shift):
    """Turning, stretching and shifting signal and reference alike leaves times and percentages as they are."""
    response = second_order(damping, 2000.0)
    plain, moved = recording_of(response), recording_of(response, before=shift, after=shift + scale)
    for measure in ("rise_time_s", "settling_time_s", "overshoot_percent"):
        assert measured(moved, measure) == pytest.approx(measured(plain, measure), rel=1e-6, abs=1e-6)
    error = measured(moved, "steady_error")
    assert error == pytest.approx(scale * measured(plain, "steady_error"), abs=1e-9 * (abs(shift) + abs(scale)))
