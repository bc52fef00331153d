"""Linear limits of the modulators and what happens beyond them, alone and through the loop.

Source: D. G. Holmes, T. A. Lipo, Pulse Width Modulation for Power Converters, 2003 (from memory), and textbook Fourier series.
"""

import math
from functools import cache

import numpy as np
import pytest

VDC = 400.0
# Largest undistorted phase voltage (peak) per volt of link: sine 1/2; 1/6 third harmonic and space vector 1/sqrt(3).
LIMITS = {"sine": 0.5, "third_harmonic": 0.577350269, "svpwm": 0.577350269}
KINDS = {"sine": "sine PWM", "third_harmonic": "1/6 third harmonic PWM", "svpwm": "space vector PWM"}
HOLMES = "Holmes, Lipo, PWM for Power Converters, 2003 [M]"
ANGLES = np.arange(3600) * 2.0 * math.pi / 3600


@cache
def duties_around(kind, voltage):
    """(modulator, phase peak per volt of link) => duties (3600, 3) over one turn of the requested vector."""
    from simcore.inverter.modulation import MODULATIONS, leg_duties

    vectors = voltage * VDC * np.column_stack([np.cos(ANGLES), np.sin(ANGLES)])
    return np.array([leg_duties(MODULATIONS[kind], alpha, beta, VDC) for alpha, beta in vectors])


def fundamental(duties):
    """duties over a turn => peak of leg a's fundamental per volt of link."""
    return abs(2.0 * np.mean(duties[:, 0] * np.exp(-1j * ANGLES)))


@pytest.mark.parametrize("kind", LIMITS)
def test_linear_limit_is_what_the_controller_is_told(verified, kind):
    from simcore.inverter.modulation import MODULATIONS, linear_limit

    found = linear_limit(MODULATIONS[kind], VDC) / VDC
    verified(f"largest undistorted phase peak, {KINDS[kind]}", HOLMES, LIMITS[kind], found, 1e-8 * LIMITS[kind], "Vdc")


@pytest.mark.parametrize("kind", LIMITS)
@pytest.mark.parametrize("share", [0.3, 0.7, 0.999])
def test_below_the_limit_no_duty_clips_and_the_lines_carry_the_request(kind, share):
    voltage = share * LIMITS[kind]
    duties = duties_around(kind, voltage)
    assert duties.min() > 0.0 and duties.max() < 1.0
    for leg, shift in ((1, 2.0 * math.pi / 3.0), (2, -2.0 * math.pi / 3.0)):
        wanted = voltage * (np.cos(ANGLES) - np.cos(ANGLES - shift))
        assert duties[:, 0] - duties[:, leg] == pytest.approx(wanted, abs=1e-12)


@pytest.mark.parametrize("kind", LIMITS)
def test_at_the_limit_the_duties_just_touch_both_rails(kind):
    duties = duties_around(kind, LIMITS[kind])
    # 0.1 degree from the crest: 1 - cos = 1.5e-6 at most.
    assert duties.min() == pytest.approx(0.0, abs=1e-5) and duties.max() == pytest.approx(1.0, abs=1e-5)
    assert fundamental(duties) == pytest.approx(LIMITS[kind], rel=1e-7)


@pytest.mark.parametrize("kind", LIMITS)
def test_above_the_limit_duties_clip_and_voltage_is_lost(kind):
    duties = duties_around(kind, 1.02 * LIMITS[kind])
    assert np.count_nonzero(duties[:, 0] == 0.0) > 20 and np.count_nonzero(duties[:, 0] == 1.0) > 20
    assert fundamental(duties) < 1.0199 * LIMITS[kind]


# V1/(Vdc/2) = (2/pi)(M asin(1/M) + sqrt(1 - 1/M^2)) of a clipped sine (textbook, from memory).
@pytest.mark.parametrize("depth, expected", [(1.2, 1.104474), (1.5, 1.171347), (2.0, 1.217996), (3.24, 1.252726)])
def test_clipped_sine_follows_its_closed_form(verified, depth, expected):
    found = 2.0 * fundamental(duties_around("sine", 0.5 * depth))
    what = f"phase fundamental of overmodulated sine PWM, M = {depth}"
    source = "(2/pi) (M asin(1/M) + sqrt(1 - 1/M^2)), textbook [M]"
    verified(what, source, expected, found, 2e-6, "Vdc/2", row=depth in (1.2, 2.0))


@pytest.mark.parametrize("kind", LIMITS)
def test_far_beyond_the_limit_stands_six_step(verified, kind):
    """Fundamental 2/pi of the link, fifth 1/5 and seventh 1/7 of it (Fourier series of the square wave)."""
    # Square up to 1e-6 of a turn, so the grid of 0.1 degree must not meet the edges.
    duties = duties_around(kind, 1e6)
    lines = duties[:, 0] - duties[:, 1]
    peaks = [abs(2.0 * np.mean(lines * np.exp(-1j * order * ANGLES))) / math.sqrt(3.0) for order in (1, 5, 7)]
    source = "Fourier series of the square wave, closed form"
    verified("phase fundamental of six-step", source, 0.636620, peaks[0], 1e-5 * 0.636620, "Vdc", row=False)
    verified("5th harmonic of six-step over its fundamental", source, 1 / 5, peaks[1] / peaks[0], 1e-4 / 5, row=False)
    verified("7th harmonic of six-step over its fundamental", source, 1 / 7, peaks[2] / peaks[0], 1e-4 / 7, row=False)


@pytest.mark.parametrize("kind", ["third_harmonic", "svpwm"])
def test_zero_sequence_is_the_modulators_own(verified, kind):
    """1/6 third harmonic against a centred vector: the sum of leg voltages, peak Vdc M/12 and M/8 (textbook, from memory)."""
    depth = 0.8
    common = np.mean(duties_around(kind, 0.5 * depth), axis=1) - 0.5
    peak = depth / 12 if kind == "third_harmonic" else depth / 8
    what = f"peak of the zero sequence, {KINDS[kind]}, M = {depth}"
    verified(what, "textbook [M]", peak, common.max(), 1e-5 * peak, "Vdc", row=kind == "svpwm")
    third = 2.0 * np.mean(common * np.exp(-3j * ANGLES))
    # min-max zero sequence: a triangle of thrice the frequency with curved sides, third harmonic 3 sqrt(3)/(8 pi) M Vdc/2.
    expected = -depth / 12 if kind == "third_harmonic" else -0.5 * depth * 3.0 * math.sqrt(3.0) / (8.0 * math.pi)
    assert third.real == pytest.approx(expected, rel=1e-4) and abs(third.imag) < 1e-9


@pytest.mark.parametrize("kind", LIMITS)
@pytest.mark.parametrize("share, reached", [(0.99, 0.99), (1.3, 1.0)])
def test_the_loop_delivers_the_limit_and_no_more(verified, run_scenario, kind, share, reached):
    """Voltage mode on a rig: below the limit what is asked for; beyond, the built-in keeps to the linear limit and says so."""
    machine = {"inductance_d_H": 5e-3, "inductance_q_H": 5e-3, "magnet_flux_Wb": 0.0001, "stator_resistance_ohm": 1.0}
    r = run_scenario(
        machine=machine,
        inverter={"modulation": kind},
        load={"speed_rpm": 1500},
        controller={"mode": "voltage"},
        commands={"replace": True, "vd_V": 0.0, "vq_V": share * LIMITS[kind] * VDC},
        run={"duration_s": 0.04},
    )
    # 100 Hz, two whole periods of 200 ticks; the tick means are the voltages asked for at mid-tick.
    peak = r.measure("va_V", "harmonic_amplitude", order=1, from_s=0.02, to_s=0.04)
    expected = reached * LIMITS[kind] * VDC
    what = f"phase peak delivered, {share} times the linear limit asked for, {KINDS[kind]}, 400 V"
    verified(what, HOLMES, expected, peak, 1e-6 * expected, "V", row=share > 1.0 and kind != "third_harmonic")
    assert np.sign(r["voltage_margin_V"][-1]) == (1.0 if share < 1.0 else -1.0)
    assert r["voltage_margin_V"][-1] == pytest.approx((1.0 - share) * LIMITS[kind] * VDC, rel=1e-6)
    touches = r["duty_a"][200:].max()
    assert touches < 1.0 if share < 1.0 else touches == pytest.approx(1.0, abs=1e-4)
