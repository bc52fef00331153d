"""Plain numbers of signals whose numbers are known: sine, ramp, constant (elementary calculus)."""

import numpy as np
import pytest
from measured_fake import FakeRecording, rows

from simcore.measure import measure_signal

TIME_S = rows(0.1, 1e-4)
SINE = FakeRecording(
    TIME_S,
    {
        "ia_A": 3.0 + 10.0 * np.sin(2 * np.pi * 50 * TIME_S),
        "torque_Nm": 100.0 * TIME_S,
        "power_link_W": np.full(len(TIME_S), 7.0),
    },
)


def test_a_sine_over_whole_periods_has_its_textbook_numbers():
    assert measure_signal(SINE, "ia_A", "mean") == pytest.approx(3.0, abs=1e-12)
    assert measure_signal(SINE, "ia_A", "rms") == pytest.approx(np.sqrt(9 + 50), rel=1e-12)
    assert measure_signal(SINE, "ia_A", "peak_to_peak") == pytest.approx(20.0, rel=1e-12)
    assert measure_signal(SINE, "ia_A", "max") == pytest.approx(13.0, rel=1e-12)
    assert measure_signal(SINE, "ia_A", "min") == pytest.approx(-7.0, rel=1e-12)


def test_the_integral_of_a_ramp_is_exact_for_windows_between_rows():
    """The integral of 100 t from a to b is 50 (b^2 - a^2), straight lines being what the trapezoid joins."""
    for begin, end in [(0.02, 0.05), (0.01234, 0.05678), (0.020005, 0.02011)]:
        value = measure_signal(SINE, "torque_Nm", "integral", from_s=begin, to_s=end)
        assert value == pytest.approx(50 * (end**2 - begin**2), rel=1e-12)


def test_a_constant_mean_signal_integrates_to_value_times_window():
    assert measure_signal(SINE, "power_link_W", "integral") == pytest.approx(0.7, rel=1e-12)
    part = measure_signal(SINE, "power_link_W", "integral", from_s=0.03331, to_s=0.05)
    assert part == pytest.approx(7.0 * 0.01669, rel=1e-12)
