"""Windows are [from, to) and say so when they hold nothing."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
from measured_fake import FakeRecording, rows

from simcore.measure import MeasureError, measure_signal

# 50 us is no binary fraction: every edge below sits on a row that floating point only nearly hits.
RECORDING = FakeRecording(rows(0.3, 50e-6), {"torque_Nm": np.arange(6000)})


@pytest.mark.parametrize(
    "from_s, to_s, first, last", [(0.1, 0.2, 2000, 3999), (0.15, 0.3, 3000, 5999), (None, 0.00005, 0, 0)]
)
def test_a_window_holds_its_first_instant_and_not_its_last(from_s, to_s, first, last):
    assert measure_signal(RECORDING, "torque_Nm", "min", from_s=from_s, to_s=to_s) == first
    assert measure_signal(RECORDING, "torque_Nm", "final", from_s=from_s, to_s=to_s) == last


def test_every_row_edge_is_met_exactly():
    for k in range(1, 6000, 7):
        assert measure_signal(RECORDING, "torque_Nm", "min", from_s=k * 5e-5) == k
        assert measure_signal(RECORDING, "torque_Nm", "final", to_s=k / 20000) == k - 1


@pytest.mark.parametrize(
    "signal, measure, window, words",
    [
        ("torque_Nm", "mean", {"from_s": 0.2, "to_s": 0.1}, "empty"),
        ("torque_Nm", "mean", {"from_s": 0.2, "to_s": 0.4}, "outside the recording"),
        ("torque_Nm", "mean", {"from_s": 0.10001, "to_s": 0.10002}, "no row"),
        ("torque_Nn", "mean", {}, 'Did you mean "torque_Nm"'),
        ("torque_Nm", "maen", {}, 'Did you mean "mean"'),
        ("torque_Nm", "mean", {"step_at_s": 0.1}, "does not belong"),
        ("torque_Nm", "harmonic_amplitude", {"fundamental_Hz": 50.0}, "needs order"),
        ("torque_Nm", "rise_time_s", {"step_at_s": 0.1}, "torque_reference_Nm"),
        ("power_link_W", "rise_time_s", {"step_at_s": 0.1}, "no reference"),
    ],
)
def test_what_cannot_be_measured_gets_one_sentence(signal, measure, window, words):
    with pytest.raises(MeasureError) as raised:
        measure_signal(RECORDING, signal, measure, **window)
    assert words in str(raised.value) and "\n" not in str(raised.value)


def test_a_signal_with_gaps_is_refused_only_where_the_gap_is():
    torque = np.arange(100.0)
    torque[40] = np.nan
    recording = FakeRecording(rows(0.1, 1e-3), {"torque_Nm": torque})
    with pytest.raises(MeasureError, match="1 of the 100 rows"):
        measure_signal(recording, "torque_Nm", "mean")
    assert measure_signal(recording, "torque_Nm", "max", to_s=0.04) == 39


def test_energy_adds_up_over_any_cut_even_with_a_short_last_row():
    """Means over rows of 10 ticks; the run's 2505 ticks end in the middle of the last row."""
    tick_s, every, ticks = 50e-6, 10, 2505
    time_s = np.arange(0, ticks, every) * tick_s
    power = 1000.0 + 300.0 * np.sin(np.arange(len(time_s)))
    recording = FakeRecording(time_s, {"power_link_W": power})
    recording.scenario = SimpleNamespace(ticks=ticks, tick_s=tick_s)
    seconds = np.minimum(time_s + every * tick_s, ticks * tick_s) - time_s
    whole = measure_signal(recording, "power_link_W", "integral")
    assert whole == pytest.approx(np.dot(power, seconds), rel=1e-12)
    assert measure_signal(recording, "power_link_W", "mean") * ticks * tick_s == pytest.approx(whole, rel=1e-12)
    cuts = [0.0, 0.0123456, 0.05, 0.0777, ticks * tick_s]
    pieces = sum(
        measure_signal(recording, "power_link_W", "integral", from_s=a, to_s=b) for a, b in itertools.pairwise(cuts)
    )
    assert pieces == pytest.approx(whole, rel=1e-12)


def test_a_window_after_the_end_says_where_the_recording_ends():
    recording = FakeRecording(rows(0.1, 1e-3), {"x": np.zeros(100)})
    with pytest.raises(MeasureError, match=r"ends at 0.1 s, before the window begins \(from_s = 0.2 s\)"):
        measure_signal(recording, "x", "mean", from_s=0.2)
