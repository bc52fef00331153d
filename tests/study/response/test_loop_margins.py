"""Margins, step answers and the stability edge of sampled loops: references' numbers, python-control as second opinion."""

import math

import control
import numpy as np
import pytest
from response_drives import drive

from simcore.study.response.margins import frequencies, margins_of, margins_on_grid
from simcore.study.response.predicted import predict_current

LOOP = "closed form of K/(z (z - 1)), derived"
CUTS = ("d", "q", "vector")


@pytest.mark.parametrize(
    ("K", "margin_deg", "overshoot"), [(0.25, 68.45773, 0.0), (1 / 3, 61.21780, 100.0 / 27.0), (0.5, 46.56746, 25.0)]
)
def test_margins_of_the_textbook_loop(verified, K, margin_deg, overshoot):
    # |L| = 1 at 2 sin(x/2) = K with x = wc T; PM = 90 deg - 3 x/2 (derived; references for K = 1/4, 1/3).
    x = 2.0 * math.asin(0.5 * K)
    assert math.degrees(0.5 * math.pi - 1.5 * x) == pytest.approx(margin_deg, abs=1e-5)
    loop = predict_current(drive(K=K))
    for name in CUTS:
        found = loop.cuts[name].margins
        what = f"predicted current loop, K = {K:.4g}"
        verified(f"phase margin of the {what}", LOOP, margin_deg, found.phase_margin_deg, 2e-5, "deg")
        verified(f"crossover of the {what}, 100 us", LOOP, x / (2e-4 * math.pi), found.crossover_Hz, 1e-6, "Hz")
        # Real at z = exp(j pi/3), where |z (z - 1)| = 1.
        verified(f"gain margin of the {what}", LOOP, -20.0 * math.log10(K), found.gain_margin_dB, 1e-9, "dB")
        assert found.phase_crossover_Hz == pytest.approx(1e4 / 6.0, rel=1e-9)
    for axis in "dq":
        verified(f"overshoot of the {what}", LOOP, overshoot, loop.steps[axis].overshoot_percent, 1e-9, "%")
    verified(f"stability edge of the {what}, as a factor", LOOP, 1.0 / K, loop.edge_factor, 1e-6)
    assert loop.edge_Hz == pytest.approx(1.0 / (2.0 * math.pi * 1e-4), rel=1e-6)


def test_a_loop_beyond_its_edge_is_told_unstable():
    loop = predict_current(drive(K=1.02))
    assert not loop.stable and loop.edge_factor == pytest.approx(1.0 / 1.02, rel=1e-6)
    assert loop.worst.margins.phase_margin_deg < 0.0 and loop.worst.margins.gain_margin_dB < 0.0
    assert loop.steps["q"].overshoot_percent is None and loop.answers == {}


def test_phase_margin_is_90_degrees_less_the_dead_time(verified):
    # 90 - wc 1.5 T 180/pi at wc T = 1/4, for a sampling that is fast against what happens in the continuous part: the limit of
    # many updates of delay, here 30 of a thirtieth of the dead time each.
    update_s, delay = 1e-4 * 1.5 / 30.5, 30
    K = 0.25 / 1e-4 * update_s
    loop = predict_current(drive(K=K, update_s=update_s, delay=delay))
    what = "phase margin with a dead time of 1.5 T at wc T = 1/4"
    verified(what, "90 deg - 1.5 wc T, closed form", 68.5141, loop.cuts["q"].margins.phase_margin_deg, 0.01, "deg")


@pytest.mark.parametrize("omega_e", [0.0, 2 * np.pi * 300.0])
@pytest.mark.parametrize("K", [0.2, 0.6])
def test_margins_agree_with_python_control(K, omega_e):
    # The isotropic machine seen from the stator: at standstill a scalar loop with real coefficients, to python-control's taste.
    R, L, T = 0.3, 0.5e-3, 1e-4
    found = predict_current(drive(K=K, R=R, delay=2)).cuts["q"].margins
    z = control.tf([1.0, 0.0], [1.0], T)
    plant = control.sample_system(control.tf([1.0], [L, R]), T, method="zoh")
    loop = plant / (z * z) * control.tf([K * L / T, K * R - K * L / T], [1.0, -1.0], T)
    gain, phase, _, w_gain, w_phase, _ = control.stability_margins(loop)
    assert found.phase_margin_deg == pytest.approx(phase, abs=1e-3)
    assert found.gain_margin_dB == pytest.approx(20.0 * math.log10(gain), abs=1e-3)
    assert found.crossover_Hz == pytest.approx(w_phase / (2 * math.pi), rel=1e-4)
    assert found.phase_crossover_Hz == pytest.approx(w_gain / (2 * math.pi), rel=1e-4)
    f = np.linspace(1.0, 4999.0, 20000)
    distance = np.abs(1.0 + loop(np.exp(2j * np.pi * f * T)))
    assert found.sensitivity_peak == pytest.approx(1.0 / distance.min(), rel=1e-4)


def test_sensitivity_peak_of_a_double_pole():
    # K = 1/4: 1/(1 + L) = z (z - 1)/(z - 1/2)^2, largest at |z - 1|/|z - 1/2|^2 with z on the circle: sqrt(2) (derived).
    assert predict_current(drive(K=0.25)).cuts["d"].margins.sensitivity_peak == pytest.approx(math.sqrt(2.0), rel=1e-9)


def test_at_speed_the_complex_vector_has_less_margin_than_either_axis():
    """The answer depends on where the loop is cut: an angle error of the voltage turns both axes at once."""
    loop = predict_current(drive(K=1 / 3, R=0.05, omega_e=2 * np.pi * 1000.0))
    alone, vector = loop.cuts["d"].margins, loop.cuts["vector"].margins
    assert alone.phase_margin_deg > vector.phase_margin_deg + 10.0
    # The edge found from poles is the gain that both axes share.
    assert vector.gain_margin_dB == pytest.approx(20.0 * math.log10(loop.edge_factor), abs=1e-4)


@pytest.mark.parametrize("turn", [1.0, -1.0])
def test_the_vectors_phase_margin_is_the_turn_that_makes_it_swing(turn):
    """Turn the applied voltage by the margin: a pole must come to the unit circle."""
    from dataclasses import replace

    from simcore.study.response.sampled import sampled_system

    # Without decoupling all that is turned lies behind the cut.
    one = drive(K=1 / 3, R=0.05, omega_e=2 * np.pi * 700.0, decoupling=False)
    margin = math.radians(predict_current(one).cuts["vector"].margins.phase_margin_deg)
    assert margin > 0.0

    def outermost(angle):
        # Advancing the angle by omega_e x time turns what is applied.
        control_ = replace(one.current, advance_s=one.current.advance_s + angle / one.omega_e)
        return float(np.max(np.abs(sampled_system(replace(one, current=control_)).poles)))

    found = min(abs(outermost(sign * margin) - 1.0) for sign in (1.0, -1.0))
    assert found < 1e-3
    assert outermost(turn * 0.9 * margin) < 1.0


def test_straight_lines_between_points_come_close():
    f = frequencies(1e-4, 200)
    cut = predict_current(drive(K=0.4, R=0.1)).cuts["q"]
    near = margins_on_grid(f, cut.loop(f))
    for name in ("crossover_Hz", "phase_margin_deg", "gain_margin_dB", "phase_crossover_Hz", "sensitivity_peak"):
        assert getattr(near, name) == pytest.approx(getattr(cut.margins, name), rel=2e-3)


@pytest.mark.parametrize("stable", [True, False])
@pytest.mark.parametrize("turn_deg", [150.0, -150.0])
def test_a_stable_loop_may_be_turned_either_way(turn_deg, stable):
    # |L| = 1 at 100 Hz, 30 deg from -1 on either side: the distance where it is stable, what is to be taken back where not.
    found = margins_of(lambda f: 100.0 / f * np.exp(1j * np.radians(turn_deg)), 1e-4, stable)
    assert found.crossover_Hz == pytest.approx(100.0) and found.gain_margin_dB is None
    assert found.phase_margin_deg == pytest.approx(30.0 if stable else -30.0)


def test_a_loop_without_gain_has_no_crossover():
    none = margins_of(lambda f: np.full(len(f), 1e-6 + 0j), 1e-4)
    assert none.crossover_Hz is None and none.gain_margin_dB is None and none.delay_margin_s is None


def test_delay_margin():
    found = predict_current(drive(K=1 / 3)).cuts["q"].margins
    assert found.delay_margin_s == pytest.approx(math.radians(found.phase_margin_deg) / (2 * math.pi * found.crossover_Hz))
