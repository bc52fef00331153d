"""Discontinuous modulators, overmodulation and six-step through the whole loop on switched legs.

Sources: A. M. Hava, R. J. Kerkman, T. A. Lipo, IEEE Trans. Power Electron. 14(1) 1999, 49-61 (ripple polynomials, from memory);
Fourier series of the six-step wave.  test_overmodulation.py checks the modulator's duties alone.
"""

import math

import numpy as np
import pytest

from simcore import Bench
from simcore.scenario.reader import scenario_from

HAVA = "Hava, Kerkman, Lipo, IEEE TPEL 14, 1999 [M]"
SQUARE = "Fourier series of six-step, closed form"
VDC, F1_HZ = 400.0, 50.0
SIX_STEP_V = 2.0 / math.pi * VDC


def turning(modulation, vq_V, fs_Hz, duration_s, resistance_ohm, inductance_H, scope=None):
    """Built-in controller in voltage mode on a rig at 50 Hz, a magnet of nanovolts, switched legs => Recording."""
    document = {
        "machine": {
            "kind": "constants", "pole_pairs": 1, "stator_resistance_ohm": resistance_ohm, "inductance_d_H": inductance_H,
            "inductance_q_H": inductance_H, "magnet_flux_Wb": 1e-12, "max_current_A": 1000, "max_speed_rpm": 10000,
        },
        "inverter": {"switching_frequency_Hz": fs_Hz, "model": "switched", "modulation": modulation},
        "supply": {"kind": "source", "voltage_V": VDC},
        "load": {"kind": "rig", "speed_rpm": 60.0 * F1_HZ},
        "controller": {"mode": "voltage"},
        "commands": {"vd_V": 0.0, "vq_V": vq_V},
        "run": {"duration_s": duration_s},
        "scope": scope or [],
    }  # fmt: skip
    return Bench(scenario_from(document, path="turning.toml")).run()


def component(values, angle, order):
    return 2.0 * np.mean(values * np.exp(-1j * order * angle))


# f(M) at M = 0.8 and 1.0; ripple current rms (Vdc/2)(Ts/2)/L sqrt(f/36).
RIPPLE_F = {"dpwm1": (0.616888, 0.472896), "dpwm_min": (0.568302, 0.424520), "dpwm_max": (0.568302, 0.424520)}


@pytest.mark.parametrize("kind", RIPPLE_F)
@pytest.mark.parametrize("depth", [0.8, 1.0])
def test_ripple_current_of_discontinuous_modulators(verified, kind, depth):
    inductance, fs_Hz = 0.3e-3, 10000.0
    expected = 0.5 * VDC * 0.5 / fs_Hz / inductance * math.sqrt(RIPPLE_F[kind][(0.8, 1.0).index(depth)] / 36.0)
    scope = [{"from_s": 0.02, "to_s": 0.04, "step_s": 1e-6}]
    scope = turning(kind, 0.5 * VDC * depth, fs_Hz, 0.04, 0.3, inductance, scope).scopes[0]
    angle = 2.0 * math.pi * F1_HZ * scope["time_s"]
    for name in ("ia_A", "ib_A", "ic_A"):
        ripple = scope[name] - np.mean(scope[name])
        for order in (1, 5, 7):
            ripple = ripple - (component(scope[name], angle, order) * np.exp(1j * order * angle)).real
        shown = kind.replace("_", " ").upper()
        what = f"ripple current rms, {shown}, M = {depth}, 400 V, 10 kHz, 0.3 mH, whole loop"
        verified(what, HAVA, expected, np.sqrt(np.mean(ripple**2)), 3e-3 * expected, "A", row=kind != "dpwm_max")



# 9 kHz and 50 Hz: 360 ticks a period, so that the six corners fall on ticks.
CORNERS_HZ, PERIOD = 9000.0, 360


def last_period(recording, periods=1):
    """=> tick means of va [V] over the last whole periods, and the angle at the middle of each tick."""
    va = recording["va_V"][-periods * PERIOD :]
    return va, 2.0 * math.pi * (np.arange(len(va)) + 0.5) / PERIOD


def test_six_step_in_the_loop(verified):
    """Request 2/pi Vdc: a square wave of the legs; phase THD sqrt(pi^2/9 - 1), h5 = 1/5, h7 = 1/7, h11 = 1/11, no triplen."""
    recording = turning("six_step", SIX_STEP_V, CORNERS_HZ, 0.06, 0.5, 2e-3)
    assert set(np.unique(recording["duty_a"][-PERIOD:])) == {0.0, 1.0}
    assert np.count_nonzero(np.diff(recording["duty_a"][-PERIOD - 1 :])) == 2
    va, angle = last_period(recording)
    # Tick means of a wave whose steps lie at ends of ticks are the wave; order h is short by sin(x)/x, x = h pi/360.
    peaks = {h: abs(component(va, angle, h)) for h in (1, 3, 5, 7, 11, 13)}
    hold = {h: np.sinc(h / PERIOD) for h in peaks}
    name = "in the loop at 50 Hz, 9 kHz"
    fundamental = peaks[1] * hold[1]
    verified(f"six-step fundamental, phase peak, {name}", SQUARE, 2.0 / math.pi, fundamental / VDC, 1e-9, "Vdc")
    for order in (5, 7, 11, 13):
        what = f"six-step harmonic {order} over its fundamental, {name}"
        verified(what, SQUARE, 1.0 / order, peaks[order] * hold[order] / fundamental, 1e-9, row=order < 13)
    assert peaks[3] < 1e-9 * VDC
    distortion = math.sqrt(2.0 * np.mean(va**2) / fundamental**2 - 1.0)
    verified(f"six-step distortion THD, {name}", SQUARE, math.sqrt(math.pi**2 / 9.0 - 1.0), distortion, 1e-9)
    lines = va - recording["vb_V"][-PERIOD:]
    rms = math.sqrt(2.0) * math.sqrt(3.0) / math.pi
    found = abs(component(lines, angle, 1)) * hold[1] / math.sqrt(2.0) / VDC
    verified(f"six-step fundamental, line-line rms, {name}", SQUARE, rms, found, 1e-9, "Vdc")


def test_six_step_current_of_an_inductance(verified):
    """Harmonic current of order h over a winding: V1/h / |R + j h w L|, whatever the modulator has done to get there."""
    resistance, inductance = 0.5, 2e-3
    recording = turning("six_step", SIX_STEP_V, CORNERS_HZ, 0.10, resistance, inductance)
    ia = recording["ia_A"][-PERIOD:]
    angle = 2.0 * math.pi * np.arange(PERIOD) / PERIOD
    for order in (1, 5, 7):
        expected = SIX_STEP_V / order / abs(complex(resistance, order * 2.0 * math.pi * F1_HZ * inductance))
        found = abs(component(ia, angle, order))
        what = f"six-step current of order {order}, 0.5 ohm and 2 mH at 50 Hz, 400 V"
        # 360 samples a period fold orders 360 k +- 7 on the seventh: pi^2/3 (7/360)^2 of it.
        verified(what, SQUARE, expected, found, 1.5e-3 * expected, "A", row=order > 1)


def test_the_fundamental_follows_the_request_into_six_step(verified):
    """A ramp of the request from 85 to 100 % of six-step over 30 periods: linear, rising in every period, without a jump."""
    share = {"points": [[0.0, 0.85 * SIX_STEP_V], [0.04, 0.85 * SIX_STEP_V], [0.64, SIX_STEP_V]], "shape": "linear"}
    recording = turning("six_step", share, CORNERS_HZ, 0.66, 0.5, 2e-3)
    va, angle = last_period(recording, 33)
    found = np.array([abs(component(v, angle[:PERIOD], 1)) for v in va.reshape(-1, PERIOD)]) * np.sinc(1.0 / PERIOD)
    # The command acts one tick after it was read; a period stands for the request at its middle.
    at_s = (np.arange(33) + 0.5) / F1_HZ - 0.5 / CORNERS_HZ
    asked = np.interp(at_s, [0.04, 0.64], [0.85 * SIX_STEP_V, SIX_STEP_V])
    assert np.all(np.diff(found[2:32]) > 0.0)
    worst = np.abs(found - asked)[2:32].max() / SIX_STEP_V
    what = "gain error from 85 to 100 % of six-step, worst of 30 periods"
    verified(what, "linear gain, as asked for", 0.0, worst, 2e-4, "of six-step")
