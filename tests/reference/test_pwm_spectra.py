"""Spectra of the simulator's own switching edges against the double Fourier series of regular sampled PWM.

Source: D. G. Holmes, T. A. Lipo, Pulse Width Modulation for Power Converters, IEEE Press/Wiley 2003, ch. 3, 5, 6 (from memory;
equation numbers not confirmed).  The closed forms are checked here against exact Fourier series of ideal edges as well.
"""

import math
from functools import cache

import numpy as np
import pytest
from open_loop import run_duties, sine_duties
from scipy.special import jv

DEPTH, CARRIER_RATIO, F1_HZ, LINK_V = 0.8, 21, 50.0, 400.0
HIGHEST = 3999
HOLMES = "Holmes, Lipo, Pulse Width Modulation for Power Converters, 2003 [M]"
SAMPLING = {"single": "symmetrical sampling", "double": "asymmetrical sampling"}
KINDS = {"sine": "sine PWM", "third_harmonic": "1/6 third harmonic PWM", "svpwm": "space vector PWM"}
# Scope samples a tick: no whole number, else the mirror-symmetrical edges of a tick would all be misread alike.
FINE = 6000 * 1.0618034
# 42 edges a period, each known to half a sample (uniform error): line-line lines are off by 2e-5 Vdc rms.
LINE_TOLERANCE, WTHD_TOLERANCE = 1e-4, 3e-4


def closed_form_leg(m, n, depth, ratio, update):
    """Peak of leg harmonic m fc + n f1 in Vdc/2, regular sampled sine, double-edge carrier (Holmes and Lipo ch. 3)."""
    q = m + n / ratio
    along = (q + n) if update == "single" else (m + n)
    return 4.0 / (q * math.pi) * jv(n, q * math.pi * depth / 2.0) * math.sin(along * math.pi / 2.0)


def closed_form_line(order, update):
    """Peak of line-line harmonic in Vdc: all carrier groups that fall on it (p_c is a whole number)."""
    total = 0.0
    for m in range(0, 9):
        n = order - m * CARRIER_RATIO
        # The sidebands of one sampled leg share a phase up to sign, which the signed values carry; groups apart are tiny.
        total += closed_form_leg(m, n, DEPTH, CARRIER_RATIO, update) * math.sin(n * math.pi / 3.0)
    return abs(total)


def fourier_of_edges(times, steps, period, orders):
    """Exact series of a piecewise constant wave: steps (in Vdc) at times => complex peak of each order."""
    phases = np.exp(-2j * np.pi * np.outer(orders, times) / period)
    return phases @ steps / (1j * np.pi * orders)


@cache
def spectra(update, kind):
    """(update, modulator) => line-line peaks in Vdc, leg peaks in Vdc; index = order.  From one period's scope."""
    fs = CARRIER_RATIO * F1_HZ
    tick = 0.5 / fs
    # phase pi: the reference's crest lies at the middle of the pulse, as the tabulated overlaps of SVPWM assume.
    recording = run_duties(
        sine_duties(DEPTH, F1_HZ, math.pi, kind),
        machine={"inductance_d_H": 0.1, "inductance_q_H": 0.1},
        inverter={"switching_frequency_Hz": fs, "update": update, "model": "switched"},
        supply={"voltage_V": LINK_V},
        run={"duration_s": 3.0 / F1_HZ},
        scope=[{"from_s": 1.0 / F1_HZ, "to_s": 2.0 / F1_HZ, "step_s": tick / FINE}],
    )
    orders = np.arange(1, HIGHEST + 1)
    legs = []
    for name in ("leg_a_V", "leg_b_V"):
        level = recording.scopes[0][name] / LINK_V
        assert set(np.unique(level)) == {0.0, 1.0}
        at = np.flatnonzero(np.diff(level))
        assert len(at) == 2 * CARRIER_RATIO
        legs.append(fourier_of_edges((at + 0.5) * tick / FINE, np.diff(level)[at], 1.0 / F1_HZ, orders))
    lines, leg = np.abs(legs[0] - legs[1]), np.abs(legs[0])
    return np.concatenate([[0.0], lines]), np.concatenate([[0.0], leg])


def named(order):
    ending = {1: "st", 2: "nd", 3: "rd"}.get(order % 10 if order // 10 != 1 else 0, "th")
    return "fundamental" if order == 1 else f"{order}{ending} harmonic"


def at_point(update, kind):
    return f"{KINDS[kind]}, {SAMPLING[update]}, M = {DEPTH}, fc/f1 = {CARRIER_RATIO}"


def wthd_percent(lines):
    orders = np.arange(2, HIGHEST + 1)
    return 100.0 * math.sqrt(np.sum((lines[2:] / orders) ** 2)) / lines[1]


# Line-line peak / Vdc at M = 0.8, p_c = 21 (Holmes and Lipo's series, from memory; recomputed from ideal edges to 1e-6).
LINES = {
    ("single", "sine"): {
        1: 0.690574, 17: 0.003446, 19: 0.174580, 21: 0.0, 23: 0.200647, 25: 0.010311, 37: 0.006560, 41: 0.286249,
        43: 0.256785, 47: 0.014992, 61: 0.163979, 65: 0.137452, 83: 0.090044, 85: 0.091278,
    },
    ("double", "sine"): {
        1: 0.692510, 17: 0.003606, 19: 0.176552, 20: 0.0, 21: 0.0, 22: 0.0, 23: 0.202914, 25: 0.010791, 37: 0.007048,
        41: 0.287051, 43: 0.257505, 47: 0.016105, 61: 0.165832, 65: 0.139005, 83: 0.090297, 85: 0.091534,
    },
    ("single", "svpwm"): {
        1: 0.690625, 5: 0.001542, 7: 0.000413, 17: 0.066042, 19: 0.103404, 20: 0.047365, 22: 0.038886, 23: 0.119993,
        25: 0.089449, 41: 0.318241, 43: 0.290003, 61: 0.125857, 65: 0.112002,
    },
    ("double", "svpwm"): {
        1: 0.692548, 5: 0.001676, 7: 0.001704, 17: 0.069073, 19: 0.104563, 20: 0.0, 22: 0.0, 23: 0.121361, 25: 0.093682,
        41: 0.319478, 43: 0.290537, 61: 0.127244, 65: 0.113299,
    },
}  # fmt: skip
WTHD_PERCENT = {
    ("single", "sine"): 2.42527, ("double", "sine"): 2.38516, ("single", "svpwm"): 2.19232, ("double", "svpwm"): 2.14730,
    ("double", "third_harmonic"): 2.16650,
}  # fmt: skip


# The lines worth a row in the README; all of them are checked.
SHOWN = {"sine": (1, 19, 23, 41, 43), "svpwm": (5, 19, 20, 23, 41, 43)}


@pytest.mark.parametrize("update, kind", LINES)
def test_line_to_line_harmonics_are_those_of_regular_sampled_pwm(verified, update, kind):
    lines, _ = spectra(update, kind)
    for order, expected in LINES[update, kind].items():
        assert lines[order] == pytest.approx(expected, abs=LINE_TOLERANCE), order
        if order in SHOWN[kind]:
            what = f"line-line {named(order)}, {at_point(update, kind)}"
            verified(what, HOLMES, expected, lines[order], LINE_TOLERANCE, "Vdc")


@pytest.mark.parametrize("update", ["single", "double"])
def test_table_agrees_with_the_closed_form(update):
    """The tabulated sine columns follow from 4/(q pi) J_n(q pi M/2) sin(...): guards the table, not the simulator."""
    for order, expected in LINES[update, "sine"].items():
        assert closed_form_line(order, update) == pytest.approx(expected, abs=5e-6), order


@pytest.mark.parametrize("update, kind", WTHD_PERCENT)
def test_weighted_distortion(verified, update, kind):
    lines, _ = spectra(update, kind)
    expected = WTHD_PERCENT[update, kind]
    what = f"weighted distortion WTHD, {at_point(update, kind)}"
    verified(what, HOLMES, expected, wthd_percent(lines), WTHD_TOLERANCE * expected, "%")


@pytest.mark.parametrize("update", ["single", "double"])
def test_leg_carries_the_carrier_that_the_line_does_not(verified, update):
    """Leg component at fc: 0.818071 x Vdc/2 for all samplings (Holmes and Lipo ch. 3, from memory)."""
    lines, leg = spectra(update, "sine")
    what = f"leg voltage at the carrier frequency, sine PWM, M = {DEPTH}"
    verified(what, HOLMES, 0.818071, 2.0 * leg[CARRIER_RATIO], 2.0 * LINE_TOLERANCE, "Vdc/2")
    assert lines[CARRIER_RATIO] < LINE_TOLERANCE


def test_symmetrical_sampling_distorts_the_baseband(verified):
    """Leg orders 2 and 3 of symmetrical sampling: 0.003563 and 0.001045 x Vdc/2; asymmetrical has no second order."""
    single, double = spectra("single", "sine")[1], spectra("double", "sine")[1]
    for order, expected in ((2, 0.003563), (3, 0.001045)):
        what = f"leg voltage, {named(order)}, {at_point('single', 'sine')}"
        verified(what, HOLMES, expected, 2.0 * single[order], 2.0 * LINE_TOLERANCE, "Vdc/2")
    assert double[2] < LINE_TOLERANCE


# f(M) at M = 0.8: van der Broeck, Skudelny, Stanke, IEEE TIA 24(1) 1988; Hava, Kerkman, Lipo, IEEE TPEL 14(1) 1999, both
# from memory.
RIPPLE_F = {"sine": 0.291678, "third_harmonic": 0.240478, "svpwm": 0.236270}


@pytest.mark.parametrize("kind", RIPPLE_F)
def test_ripple_current_tends_to_the_polynomial_of_the_modulator(verified, kind):
    """Ripple rms (Vdc/2)(Ts/2)/L sqrt(f/36): 400 V, 10 kHz, 0.3 mH, SVPWM: 2.7004 A (van der Broeck 1988, from memory)."""
    inductance, fs = 0.3e-3, 10000.0
    expected = 200.0 * 50e-6 / inductance * math.sqrt(RIPPLE_F[kind] / 36.0)
    if kind == "svpwm":
        assert expected == pytest.approx(2.7004, abs=1e-4)
    f1 = 50.0
    # 0.3 ohm of winding lets the start's transient die out within 1 ms and changes the ripple by (R / (2 pi fs L))^2 / 2.
    recording = run_duties(
        sine_duties(DEPTH, f1, 0.0, kind),
        machine={"stator_resistance_ohm": 0.3, "inductance_d_H": inductance, "inductance_q_H": inductance},
        inverter={"model": "switched", "switching_frequency_Hz": fs},
        supply={"voltage_V": LINK_V},
        run={"duration_s": 0.04},
        scope=[{"from_s": 0.02, "to_s": 0.04, "step_s": 1e-6}],
    )
    scope = recording.scopes[0]
    angle = 2.0 * math.pi * f1 * scope["time_s"]
    for name in ("ia_A", "ib_A", "ic_A"):
        ripple = scope[name] - np.mean(scope[name])
        for order in (1, 5, 7):
            c = 2.0 * np.mean(scope[name] * np.exp(-1j * order * angle))
            ripple = ripple - (c * np.exp(1j * order * angle)).real
        # 200 carrier periods a fundamental: within 0.5 % of the asymptote.
        source = "ripple polynomial, van der Broeck, Skudelny, Stanke, IEEE Trans. Ind. Appl. 24(1), 1988 [M]"
        what = f"ripple current rms, {KINDS[kind]}, M = {DEPTH}, 400 V, 10 kHz, 0.3 mH"
        verified(what, source, expected, np.sqrt(np.mean(ripple**2)), 5e-3 * expected, "A")
