"""Current loops as people tune and mistune them.  Cases from practice, figures recomputed, closed forms derived."""

import math

import numpy as np
import pytest
from field_case import run_case

RL = [(0.01, 0.25e-3), (0.5, 2e-3), (0.05, 0.1e-3)]  # ohm, H


def step(a, resistance_ohm, inductance_H, fs_Hz=10000, duration_s=0.01, size_A=10.0):
    """Step of iq on a locked shaft; a = wc Ts with Ts the update period (half a carrier period)."""
    bandwidth_Hz = a * 2.0 * fs_Hz / (2.0 * math.pi)
    return run_case(
        machine={
            "stator_resistance_ohm": resistance_ohm, "inductance_d_H": inductance_H, "inductance_q_H": inductance_H,
        },
        inverter={"switching_frequency_Hz": fs_Hz},
        load={"kind": "locked"},
        controller={"tuning": {"current_bandwidth_Hz": bandwidth_Hz}},
        commands={"iq_A": size_A},
        run={"duration_s": duration_s},
    )  # fmt: skip


@pytest.mark.parametrize("resistance_ohm, inductance_H", RL)
@pytest.mark.parametrize("a, overshoot", [(0.25, 0.0), (0.5, 25.0)])
def test_pole_cancellation_with_one_sample_of_delay(a, overshoot, resistance_ohm, inductance_H):
    """kp = wc L, ki = wc R, one sample of delay: critically damped at a = wc Ts = 1/4, 25 % overshoot at 1/2, whatever R and L.

    K/(z (z - 1)): double pole 1/2 at a = 1/4; at 1/2 the poles (1 +- j)/2 give 1/4.
    """
    recording = step(a, resistance_ohm, inductance_H)
    assert recording.measure("iq_A", "overshoot_percent", step_at_s=0.0) == pytest.approx(overshoot, abs=0.8)
    assert recording["iq_A"][-1] == pytest.approx(10.0, rel=1e-3)


@pytest.mark.parametrize("resistance_ohm, inductance_H", RL)
def test_pole_cancellation_is_unstable_from_a_equal_to_one(resistance_ohm, inductance_H):
    """a = wc Ts = 1 is the edge (poles on the unit circle): at 0.95 the swing dies, at 1.05 it grows."""
    swings = {}
    for a in (0.95, 1.05):
        error = np.abs(step(a, resistance_ohm, inductance_H, size_A=0.1)["iq_A"] - 0.1)
        swings[a] = error[-20:].max() / error[20:40].max()
    assert swings[0.95] < 0.1 and swings[1.05] > 5.0


@pytest.mark.parametrize("resistance_ohm, inductance_H", RL)
def test_63_percent_after_one_over_the_bandwidth(resistance_ohm, inductance_H):
    """With a delay that is negligible (a = 0.01) the current reaches 63 % after 1/wc, whatever R and L."""
    recording = step(0.01, resistance_ohm, inductance_H, fs_Hz=20000, duration_s=0.015)
    time_s = np.interp(1.0 - math.exp(-1.0), recording["iq_A"] / 10.0, recording.time_s)
    assert time_s == pytest.approx(25e-6 / 0.01, rel=0.02)


def test_a_voltage_that_comes_one_and_a_half_periods_late():
    """18 000 rpm, p = 2, 10 kHz, delay of 1.5 Ts left alone: 32.4 deg electrical, 0.536 of a q command lands on d.

    The hold costs sin(10.8 deg)/10.8 deg = 0.9941.  With angle advance the d part vanishes.
    """
    share = {}
    for advanced in (False, True):
        recording = run_case(
            machine={"pole_pairs": 2, "magnet_flux_Wb": 0.02},
            inverter={"update": "single"},
            load={"kind": "rig", "speed_rpm": 18000},
            controller={"mode": "voltage", "tuning": {"delay_compensation": advanced}},
            commands={"vq_V": 100.0},
            run={"duration_s": 0.01},
        )
        # Whole carrier periods, after the first commands have acted.
        share[advanced] = (np.mean(recording["vd_V"][20:]) + 1j * np.mean(recording["vq_V"][20:])) / 100.0
    assert abs(share[False]) == pytest.approx(0.9941, abs=5e-5)
    assert math.degrees(np.angle(share[True] / share[False])) == pytest.approx(32.4, abs=1e-3)
    assert share[False].real / abs(share[False]) == pytest.approx(0.536, abs=2e-4)
    assert abs(share[True].real) < 1e-6 and share[True].imag == pytest.approx(0.9941, abs=5e-5)


@pytest.mark.parametrize("feed_forward", [False, True])
def test_a_proportional_loop_leaves_an_error_that_grows_with_speed(feed_forward):
    """Proportional current loop against a back-EMF: steady error (R i + w psi)/(K + R); feed-forward leaves R i/(K + R)."""
    gain, resistance, current = 0.5, 0.05, 40.0
    for speed_rpm in (500.0, 1000.0, 2000.0):
        recording = run_case(
            machine={"stator_resistance_ohm": resistance},
            load={"kind": "rig", "speed_rpm": speed_rpm},
            controller={
                "tuning": {
                    "kp_d_V_per_A": gain, "kp_q_V_per_A": gain, "ki_d_V_per_As": 1000.0, "ki_q_V_per_As": 0.0,
                    "decoupling": feed_forward,
                }
            },
            commands={"id_A": 0.0, "iq_A": current},
        )  # fmt: skip
        emf = 0.0 if feed_forward else 4.0 * speed_rpm * math.pi / 30.0 * 0.06
        error = current - recording["iq_A"][-1]
        assert error == pytest.approx((resistance * current + emf) / (gain + resistance), rel=3e-3, abs=0.05)


def test_a_forgotten_low_pass():
    """300 Hz low-pass in a 1000 rad/s loop: the true current overshoots by 8.1 %, the measured one shows 5.2 %: keep both.

    Second order: s^2/(wc wf) + s/wc + 1 with wf = 2 pi 300; the true current carries (1 + s/wf) on top.
    """
    recording = run_case(
        inverter={"switching_frequency_Hz": 50000},
        load={"kind": "locked"},
        controller={"tuning": {"current_bandwidth_Hz": 1000.0 / (2.0 * math.pi)}},
        sensors={"current": {"bandwidth_Hz": 300.0}},
        commands={"iq_A": 50.0},
        run={"duration_s": 0.02},
    )
    wf = 2.0 * math.pi * 300.0
    damping = 0.5 * math.sqrt(wf / 1000.0)
    measured = 100.0 * math.exp(-math.pi * damping / math.sqrt(1.0 - damping**2))
    assert measured == pytest.approx(5.15, abs=0.01)
    assert recording.measure("iq_measured_A", "overshoot_percent", step_at_s=0.0) == pytest.approx(measured, abs=0.6)
    assert recording.measure("iq_A", "overshoot_percent", step_at_s=0.0) == pytest.approx(8.09, abs=0.8)
