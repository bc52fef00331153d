"""Device drops in every quadrant, and conduction losses against closed forms, in both inverter models.

Source of the losses: J. W. Kolar, H. Ertl, F. C. Zach, IEEE Trans. Ind. Appl. 27(6), 1991; Casanellas, IEE Proc. EPA 141(5),
1994 (both from memory); the figures were confirmed by integration over a period.
"""

import cmath
import math
from functools import cache

import numpy as np
import pytest
from duty_source import run_duties

SHIFTS = np.array([0.0, 2.0 * math.pi / 3.0, -2.0 * math.pi / 3.0])
IGBT = {
    "kind": "igbt", "threshold_V": 0.9, "slope_ohm": 4e-3, "diode": {"threshold_V": 1.0, "slope_ohm": 3.5e-3},
}  # fmt: skip
MOSFET = {"kind": "mosfet", "on_resistance_ohm": 4.6e-3, "diode": {"threshold_V": 4.2, "slope_ohm": 0.0}}
MODELS = ("averaged", "switched")
KOLAR = "Kolar, Ertl, Zach, IEEE TIA 27, 1991 [M], at the current reached"


def leg_levels(devices, current_A, dead_s=0.0):
    """Leg a at half duty with a steady current => its voltage while the upper gate, no gate, the lower gate is on."""
    recording = run_duties(
        lambda update: (0.5, 0.5, 0.5),
        machine={"inductance_d_H": 5.0, "inductance_q_H": 5.0},
        inverter={"devices": devices, "dead_time_s": dead_s},
        initial={"id_A": current_A},
        scope=[{"from_s": 0.001, "to_s": 0.0011, "step_s": 1e-6}],
    )
    level = recording.scopes[0]["leg_a_V"]
    # Even tick: upper on up to 25 us.  Odd tick from 50 us: upper on from 75 us; the dead time follows each edge.
    return level[12], level[26], level[40], level[60], level[76], level[90]


@pytest.mark.parametrize(
    "current, upper, lower",
    [
        # IGBT v = 0.9 + 4 mohm i, diode 1.0 + 3.5 mohm i, 400 V: which of them carries the current follows its direction.
        (100.0, 400.0 - 1.3, -1.35),
        (-100.0, 400.0 + 1.35, 1.3),
    ],
)
def test_igbt_leg_in_all_quadrants(current, upper, lower):
    levels = leg_levels(IGBT, current)
    assert levels == pytest.approx((upper, lower, lower, lower, upper, upper), abs=1e-3)


@pytest.mark.parametrize("current, upper, lower", [(100.0, 400.0 - 0.46, -0.46), (-100.0, 400.0 + 0.46, 0.46)])
def test_mosfet_channel_carries_both_directions(current, upper, lower):
    levels = leg_levels(MOSFET, current)
    assert levels == pytest.approx((upper, lower, lower, lower, upper, upper), abs=1e-3)


@pytest.mark.parametrize("current", [100.0, -100.0])
def test_body_diode_carries_the_current_in_the_dead_time_only(current):
    """4.2 V behind whichever rail the current's direction leads to, for the dead time after each edge."""
    levels = leg_levels(MOSFET, current, dead_s=3e-6)
    on, off = (400.0 - 0.46, -0.46) if current > 0.0 else (400.46, 0.46)
    diode = -4.2 if current > 0.0 else 404.2
    assert levels == pytest.approx((on, diode, off, off, diode, on), abs=1e-3)


def closed_forms(peak, depth, cosine):
    """Sine PWM, one device: means and mean squares of transistor and diode (Kolar, Ertl, Zach 1991, from memory)."""
    mean, swing = peak / (2.0 * math.pi), peak * depth * cosine / 8.0
    square, turn = peak**2 / 8.0, peak**2 * depth * cosine / (3.0 * math.pi)
    return mean + swing, square + turn, mean - swing, square - turn


def bridge_loss(devices, peak, depth, cosine):
    """IGBT bridge's conduction loss [W]."""
    t_mean, t_square, d_mean, d_square = closed_forms(peak, depth, cosine)
    diode = devices["diode"]
    transistor = devices["threshold_V"] * t_mean + devices["slope_ohm"] * t_square
    return 6.0 * (transistor + diode["threshold_V"] * d_mean + diode["slope_ohm"] * d_square)


def test_closed_forms_give_the_published_figures():
    """I = 100 A, M = 0.8, cos = 0.9; regeneration M = 0.5, cos = -0.9 (confirmed by integration)."""
    assert closed_forms(100.0, 0.8, 0.9) == pytest.approx((24.915494, 2013.94373, 6.915494, 486.05627), rel=1e-7)
    assert closed_forms(100.0, 0.5, -0.9)[::2] == pytest.approx((10.290494, 21.540494), rel=1e-6)
    assert bridge_loss(IGBT, 100.0, 0.8, 0.9) == pytest.approx(234.57847, abs=1e-5)


@cache
def steady(model, kind, peak, depth, cosine, fs_Hz=10000.0, dead_s=0.0, vdc=800.0):
    """Sine PWM at 50 Hz into R, L and an EMF that give this current => mean loss [W], peak [A], power factor of fundamentals.

    The machine's EMF is what is left of the voltage after R and L, so that any phase is possible.
    """
    tick_s, omega_e = 0.5 / fs_Hz, 2.0 * math.pi * 50.0
    voltage = 0.5 * depth * vdc
    current = peak * cmath.exp(-1j * math.acos(cosine))
    resistance, inductance = 0.4, 5e-3
    emf = voltage - complex(resistance, omega_e * inductance) * current
    angle = cmath.phase(emf) - 0.5 * math.pi
    in_dq = current * cmath.exp(-1j * angle)

    def duties(update):
        return 0.5 + 0.5 * depth * np.cos(omega_e * (update + 0.5) * tick_s - SHIFTS)

    recording = run_duties(
        duties,
        machine={"stator_resistance_ohm": resistance, "inductance_d_H": inductance, "inductance_q_H": inductance,
                 "magnet_flux_Wb": abs(emf) / omega_e, "max_current_A": 1.0},
        inverter={"model": model, "devices": IGBT if kind == "igbt" else MOSFET, "switching_frequency_Hz": fs_Hz,
                  "dead_time_s": dead_s},
        supply={"voltage_V": vdc},
        load={"kind": "rig", "speed_rpm": 3000},
        initial={"angle_electrical_deg": math.degrees(angle), "id_A": in_dq.real, "iq_A": in_dq.imag},
        run={"duration_s": 0.1},
    )  # fmt: skip
    rows = slice(-round(0.04 / tick_s), None)
    turned = np.exp(-1j * omega_e * recording.time_s[rows])
    found = 2.0 * np.mean(recording["ia_A"][rows] * turned)
    loss = np.mean(recording["loss_conduction_W"][rows])
    audit = abs(recording.audit["residual_relative"])
    return loss, abs(found), math.cos(cmath.phase(found)), audit


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("depth, cosine", [(0.8, 0.9), (0.5, -0.9), (0.3, 0.2)])
def test_igbt_bridge_loses_what_the_closed_form_says(verified, model, depth, cosine):
    loss, peak, reached, audit = steady(model, "igbt", 100.0, depth, cosine)
    assert peak == pytest.approx(100.0, rel=0.03) and reached == pytest.approx(cosine, abs=0.02)
    expected = bridge_loss(IGBT, peak, depth, reached)
    what = f"conduction loss of an IGBT bridge, 100 A, M = {depth}, cos phi = {cosine}, {model} inverter"
    verified(what, KOLAR, expected, loss, 1e-3 * expected, "W", row=depth > 0.3 and model == "switched")
    assert audit < 1e-5


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("depth, cosine", [(0.8, 0.9), (0.3, -0.5)])
def test_mosfet_bridge_loses_the_same_at_any_depth_and_phase(verified, model, depth, cosine):
    """3 R I^2 / 2: 621.0 W at 300 A and 4.6 mohm (Kolar, Ertl, Zach 1991, from memory)."""
    assert 1.5 * 4.6e-3 * 300.0**2 == pytest.approx(621.0)
    loss, peak, _, _ = steady(model, "mosfet", 300.0, depth, cosine)
    assert peak == pytest.approx(300.0, rel=0.02)
    # The switched currents carry ripple besides: some 2 A rms, 3 x 4.6 mohm x 4 A^2.
    expected = 1.5 * 4.6e-3 * peak**2
    what = f"conduction loss of a MOSFET bridge, 300 A, 4.6 mohm, M = {depth}, cos phi = {cosine}, {model} inverter"
    verified(what, KOLAR, expected, loss, 1e-3 * expected, "W", row=depth > 0.3 and model == "switched")


@pytest.mark.parametrize("model", MODELS)
def test_body_diodes_add_their_share_in_the_dead_time(verified, model):
    """0.5 us, 12 kHz, 300 A, 4.2 V: 9.62569 W a leg more, less 2.48400 W of the channel (closed form, integrated)."""
    loss, peak, _, _ = steady(model, "mosfet", 300.0, 0.8, 0.9, fs_Hz=12000.0, dead_s=0.5e-6)
    share = peak / 300.0
    expected = 621.0 * share**2 + 3.0 * (9.62569 * share - 2.48400 * share**2)
    at = "300 A, 4.6 mohm, M = 0.8, cos phi = 0.9"
    what = f"conduction loss with 4.2 V body diodes, dead time 0.5 us, 12 kHz, {at}, {model} inverter"
    verified(what, "closed form, at the current reached", expected, loss, 1.5e-3 * expected, "W", row=model == "switched")


@pytest.mark.parametrize("devices", [IGBT, MOSFET])
def test_averaged_drops_are_the_means_of_the_switched_ones(devices):
    """Steady currents of both signs, uneven duties: same mean voltages and the same loss."""
    means = []
    for model in MODELS:
        recording = run_duties(
            lambda update: (0.8, 0.45, 0.1),
            machine={"inductance_d_H": 5.0, "inductance_q_H": 5.0, "max_current_A": 1.0},
            inverter={"model": model, "devices": devices, "dead_time_s": 0.0},
            initial={"id_A": 60.0, "iq_A": -40.0},
        )
        names = ("va_V", "vb_V", "vc_V", "loss_conduction_W", "link_current_A")
        means.append([np.mean(recording[name][2:]) for name in names])
    assert means[0] == pytest.approx(means[1], rel=1e-4)
