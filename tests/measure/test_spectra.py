"""Orders and THD against Fourier series in closed form."""

import numpy as np
import pytest
from measured_fake import FakeRecording, rows

from simcore.measure import MeasureError, measure_signal


def tones(theta, amplitudes, offset=0.0):
    return offset + sum(a * np.cos(n * theta - 0.3 * n) for n, a in amplitudes.items())


def test_a_window_of_no_whole_periods_gives_exact_amplitudes():
    time_s = rows(0.2, 1e-4)
    theta = 2 * np.pi * 47.3 * time_s
    recording = FakeRecording(time_s, {"ia_A": tones(theta, {1: 10.0, 2: 0.5, 5: 2.0, 40: 0.25}, offset=3.0)})
    window = {"from_s": 0.0131, "to_s": 0.0777, "fundamental_Hz": 47.3}
    for order, expected in {0: 3.0, 1: 10.0, 2: 0.5, 3: 0.0, 5: 2.0, 40: 0.25}.items():
        value = measure_signal(recording, "ia_A", "harmonic_amplitude", order=order, **window)
        assert value == pytest.approx(expected, abs=1e-9)
    expected = 100 * np.sqrt(0.5**2 + 2**2 + 0.25**2) / 10
    assert measure_signal(recording, "ia_A", "thd_percent", **window) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("direction", [1, -1])
def test_orders_follow_the_rotor_while_its_speed_changes(direction):
    """Angle from a shaft that accelerates: order n stays order n, where a constant frequency would smear it."""
    time_s = rows(0.2, 5e-5)
    turns = direction * (20 * time_s + 50 * time_s**2)
    theta = 2 * np.pi * 4 * turns
    signals = {
        "angle_deg": np.mod(360 * turns, 360.0),
        "speed_rpm": 60 * direction * (20 + 100 * time_s),
        "iq_A": tones(theta, {1: 1.5, 6: 0.7, 12: 0.1}, offset=80.0),
    }
    recording = FakeRecording(time_s, signals, pole_pairs=4)
    for order, expected in {1: 1.5, 6: 0.7, 12: 0.1, 7: 0.0}.items():
        assert measure_signal(recording, "iq_A", "harmonic_amplitude", order=order) == pytest.approx(expected, abs=1e-9)


def test_sparse_rows_unwrap_with_the_help_of_the_speed():
    """0.7 turns a row: only the speed tells the way round.  With one pole pair the orders still fit."""
    time_s = rows(2.0, 0.01)
    turns = 70 * time_s
    signals = {"angle_deg": np.mod(360 * turns, 360), "speed_rpm": np.full(len(time_s), 4200.0)}
    from simcore.measure.spectra import electrical_angle

    recording = FakeRecording(time_s, signals, pole_pairs=1)
    np.testing.assert_allclose(electrical_angle(recording, slice(None)), 2 * np.pi * turns, atol=1e-8)


def test_a_square_wave_has_harmonics_of_4_over_n_pi():
    """Fourier series 4/(n pi), n odd; THD over orders 3 ... 39 from the same series.

    Sampled at 2N points a period, edges half-way between rows, order n reads (2/N) / sin(n pi / 2N) [exact, discrete].
    """
    half = 5000
    time_s = rows(0.02, 0.02 / (2 * half))
    recording = FakeRecording(time_s, {"va_V": np.where(np.arange(2 * half) < half, 1.0, -1.0)})
    for order in (1, 3, 5, 13, 39):
        value = measure_signal(recording, "va_V", "harmonic_amplitude", order=order, fundamental_Hz=50.0)
        assert value == pytest.approx(2 / half / np.sin(order * np.pi / (2 * half)), rel=1e-9)
        assert value == pytest.approx(4 / (order * np.pi), rel=1e-4)
    expected = 100 * np.sqrt(sum(1 / n**2 for n in range(3, 41, 2)))
    assert measure_signal(recording, "va_V", "thd_percent", fundamental_Hz=50.0) == pytest.approx(expected, rel=1e-4)


def test_six_step_has_the_textbook_fundamental_and_the_thd_of_its_orders_to_40():
    """Phase voltage of six-step: fundamental 2/pi Vdc, h5 = 1/5, h7 = 1/7 (Holmes and Lipo 2003, from memory).

    With all orders THD is sqrt(pi^2/9 - 1) = 0.310842; orders 2 ... 40 alone give the sum below.
    """
    per_sixth = 2000
    steps = np.repeat([1 / 3, 2 / 3, 1 / 3, -1 / 3, -2 / 3, -1 / 3], per_sixth)
    time_s = rows(0.02, 0.02 / len(steps))
    recording = FakeRecording(time_s, {"va_V": steps})

    def amplitude(order):
        return measure_signal(recording, "va_V", "harmonic_amplitude", order=order, fundamental_Hz=50.0)

    assert amplitude(1) == pytest.approx(2 / np.pi, rel=1e-5)
    assert amplitude(5) / amplitude(1) == pytest.approx(1 / 5, rel=1e-4)
    assert amplitude(7) / amplitude(1) == pytest.approx(1 / 7, rel=1e-4)
    assert amplitude(3) == pytest.approx(0.0, abs=1e-9)
    orders = [n for n in range(2, 41) if n % 6 in (1, 5)]
    to_40 = np.sqrt(sum(1 / n**2 for n in orders))
    assert to_40 == pytest.approx(0.296794, abs=1e-6) and np.sqrt(np.pi**2 / 9 - 1) == pytest.approx(0.310842, abs=1e-6)
    thd = measure_signal(recording, "va_V", "thd_percent", fundamental_Hz=50.0)
    assert thd == pytest.approx(100 * to_40, rel=1e-4)


def test_a_fraction_of_an_order_finds_what_turns_with_the_shaft():
    """A resolver with one pole pair on four, 1 % imbalance: 0.285054 deg at twice a shaft turn, times four; order 1/2.

    Hanselman, IEEE Trans. Ind. Electron. 37(6) 1990, from memory; the number derived.
    """
    time_s = rows(0.5, 1e-4)
    turns = 13.7 * time_s
    measured = np.arctan2(1.01 * np.sin(2 * np.pi * turns), np.cos(2 * np.pi * turns))
    error = np.rad2deg(np.angle(np.exp(1j * (measured - 2 * np.pi * turns)))) * 4
    signals = {"angle_deg": np.mod(360 * turns, 360), "angle_error_deg": error}
    recording = FakeRecording(time_s, signals, pole_pairs=4)
    value = measure_signal(recording, "angle_error_deg", "harmonic_amplitude", order=0.5)
    assert value == pytest.approx(4 * 0.285054, abs=4e-6)


def test_what_the_rows_cannot_tell_is_refused():
    time_s = rows(0.1, 1e-3)
    still = FakeRecording(time_s, {"ia_A": np.sin(300 * time_s), "angle_deg": np.full(100, 30.0)})
    with pytest.raises(MeasureError, match="speed is zero.*fundamental_Hz"):
        measure_signal(still, "ia_A", "harmonic_amplitude", order=1)
    with pytest.raises(MeasureError, match="Record more often"):
        measure_signal(still, "ia_A", "harmonic_amplitude", order=10, fundamental_Hz=50.0)
    with pytest.raises(MeasureError, match="at least 1"):
        measure_signal(still, "ia_A", "harmonic_amplitude", order=1, to_s=0.01, fundamental_Hz=50.0)
    with pytest.raises(MeasureError, match="no component"):
        measure_signal(FakeRecording(time_s, {"ia_A": 0 * time_s}), "ia_A", "thd_percent", fundamental_Hz=50.0)


def test_a_long_window_needs_little_memory_and_keeps_its_digits():
    time_s = rows(10.0, 5e-5)
    theta = 2 * np.pi * 200 * time_s
    recording = FakeRecording(time_s, {"ia_A": tones(theta, {1: 100.0, 5: 1e-3})})
    value = measure_signal(recording, "ia_A", "harmonic_amplitude", order=5, fundamental_Hz=200.0)
    assert value == pytest.approx(1e-3, rel=1e-8)
