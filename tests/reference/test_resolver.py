"""Resolver defects as orders of the angle error, and the tracking loop behind them.

Source: D. C. Hanselman, IEEE Trans. Ind. Electron. 37(6), 1990, 556-561 and 38(6), 1991 (from memory); exact figures from
atan2 of the channels as the scenario language defines them: (1 + a) sin x + o_sin, cos(x + b) + o_cos.
"""

import math
from functools import cache

import numpy as np
import pytest
from scipy.linalg import expm, solve_discrete_lyapunov

HANSELMAN = "Hanselman, IEEE TIE 37, 1990 [M]"
TYPE_II = "type II loop, closed form"
WN = 2.0 * math.pi * 300.0


def turning(make, speed_rpm, duration_s, machine_pole_pairs=1, fs_Hz=10000, initial=None, **position):
    """make_scenario fixture and settings => Recording on a rig, no current asked for."""
    from simcore import Bench

    ticks = round(duration_s * 2 * fs_Hz)
    return Bench(
        make(
            machine={"pole_pairs": machine_pole_pairs, "max_speed_rpm": 500000},
            inverter={"switching_frequency_Hz": fs_Hz},
            load={"replace": True, "kind": "rig", "speed_rpm": speed_rpm},
            sensors={"position": {"kind": "resolver", **position}},
            initial=initial or {},
            run={"duration_s": duration_s, "record_every": max(1, ticks // 2000)},
        )
    ).run()


def mechanical(recording):
    return np.radians(recording["angle_deg"])


def order(recording, number, of_pole_pairs=1):
    """Recording over whole turns => complex amplitude of that order of the resolver's angle in angle_error_deg."""
    error = recording["angle_error_deg"]
    if number == 0:
        return np.mean(error)
    return 2.0 * np.mean(error * np.exp(-1j * number * of_pole_pairs * mechanical(recording)))


# With e = a/(2 + a): e sin 2x + e^2/2 sin 4x; b/2 - b/2 cos 2x; o cos x - o^2/2 sin 2x; -o sin x.
# defect, order, amplitude (deg of the resolver's angle), phase of the cosine.  One turn a second: the loop follows.
DEFECTS = [
    ({"amplitude_imbalance": 0.01}, 2, 0.285054, -90.0, "imbalance 1 %, order 2"),
    ({"amplitude_imbalance": 0.01}, 4, 0.000709, -90.0, "imbalance 1 %, order 4"),
    ({"quadrature_error_deg": 0.5}, 0, 0.250000, 0.0, "quadrature 0.5 deg, mean"),
    ({"quadrature_error_deg": 0.5}, 2, 0.250002, 180.0, "quadrature 0.5 deg, order 2"),
    ({"offset_sin": 0.005}, 1, 0.286479, 0.0, "offset 0.5 % of one channel, order 1"),
    ({"offset_sin": 0.005}, 2, 0.000716, 90.0, "offset 0.5 % of one channel, order 2"),
    ({"offset_cos": 0.005}, 1, 0.286479, 90.0, "offset 0.5 % of one channel, order 1"),
    ({"offset_sin": 0.005, "offset_cos": 0.005}, 1, 0.405142, 45.0, "offset 0.5 % of both channels, order 1"),
]


@pytest.mark.parametrize("defect, number, expected, phase_deg, what", DEFECTS)
def test_defects_show_at_their_orders(make_scenario, verified, defect, number, expected, phase_deg, what):
    recording = turning(make_scenario, 60.0, 1.0, **defect)
    found = order(recording, number)
    verified(f"resolver's angle error, {what}", HANSELMAN, expected, abs(found), 4e-5 * max(1.0, expected / 0.1), "deg")
    turned = math.degrees(np.angle(found)) - phase_deg
    assert (turned + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1.5)


def test_peak_of_an_imbalance_is_the_exact_one(make_scenario, verified):
    """1 %: 0.285055 deg, not the first-order 0.286479 (atan2, exact)."""
    error = turning(make_scenario, 60.0, 1.0, amplitude_imbalance=0.01)["angle_error_deg"]
    verified("resolver's angle error, imbalance 1 %, peak", "atan2, exact", 0.285055, 0.5 * np.ptp(error), 3e-5, "deg")


@pytest.mark.parametrize("speed_rpm", [60.0, -60.0])
def test_all_defects_together_follow_atan2(make_scenario, speed_rpm):
    """Larger defects, either direction: the error is the channels' own angle less the true one, turn or turn back."""
    position = {"amplitude_imbalance": -0.04, "quadrature_error_deg": 3.0, "offset_sin": 0.02, "offset_cos": -0.03}
    recording = turning(make_scenario, speed_rpm, 1.0, **position)
    x = mechanical(recording)
    shown = np.arctan2(0.96 * np.sin(x) + 0.02, np.cos(x + math.radians(3.0)) - 0.03)
    expected = np.degrees(np.angle(np.exp(1j * (shown - x))))
    assert recording["angle_error_deg"] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("pole_pairs", [1, 2, 4])
def test_electrical_error_grows_with_the_ratio_of_pole_pairs(make_scenario, pole_pairs):
    """Machine of 4 pole pairs: 0.285054 deg x 4 / resolver pole pairs, at twice the resolver's own angle."""
    recording = turning(make_scenario, 60.0, 1.0, machine_pole_pairs=4, pole_pairs=pole_pairs, amplitude_imbalance=0.01)
    found = order(recording, 2, pole_pairs)
    assert abs(found) == pytest.approx(0.285054 * 4 / pole_pairs, rel=2e-3)
    assert abs(order(recording, 2 if pole_pairs > 1 else 8)) < 1e-3


@pytest.mark.parametrize("offset_deg", [30.0, -170.0, 200.0])
def test_mounting_offset_adds_electrical_degrees(make_scenario, offset_deg):
    """measured = true + offset, whatever the pole pairs; wrapped to (-180, 180]."""
    recording = turning(make_scenario, 600.0, 0.1, machine_pole_pairs=4, pole_pairs=2, mounting_offset_deg=offset_deg)
    assert recording["angle_error_deg"] == pytest.approx((offset_deg + 180.0) % 360.0 - 180.0, abs=1e-6)


# |H(jx)| of (1 + 2 z j x)/(1 - x^2 + 2 z j x): at x = 1 sqrt(1 + 1/(2z)^2), at the band's edge 1/sqrt(2).
@pytest.mark.parametrize(
    "damping, ratio, gain", [(0.70710678, 1.0, 1.224745), (0.70710678, 2.058171, 0.707107), (1.0, 2.482394, 0.707107)]
)
def test_bandwidth_of_the_tracking_loop(make_scenario, verified, damping, ratio, gain):
    """The imbalance's second order, driven to that multiple of 300 Hz, comes through with the loop's gain."""
    recording = turning(
        make_scenario, 60.0 * 150.0 * ratio, 0.2, fs_Hz=40000, amplitude_imbalance=0.001, tracking_damping=damping
    )
    half = slice(len(recording) // 2, None)
    turns = np.unwrap(2.0 * mechanical(recording)[half])
    basis = np.column_stack([np.cos(turns), np.sin(turns), np.ones(len(turns))])
    found = np.linalg.lstsq(basis, recording["angle_error_deg"][half], rcond=None)[0]
    what = f"tracking loop's gain at {ratio:.4g} times its natural frequency, damping {damping:.4g}"
    verified(what, TYPE_II, gain, math.hypot(found[0], found[1]) / math.degrees(0.001 / 2.001), 1e-3)


@pytest.mark.parametrize("speed_rpm", [3000.0, -3000.0])
def test_constant_speed_leaves_no_angle_error(make_scenario, speed_rpm):
    """Type II: zero ramp error, and the speed is the shaft's."""
    recording = turning(make_scenario, [[0.0, 0.0], [0.01, speed_rpm]], 0.1, machine_pole_pairs=4)
    late = recording.time_s > 0.05
    assert recording["angle_error_deg"][late] == pytest.approx(0.0, abs=1e-6)
    assert recording["speed_measured_rpm"][late] == pytest.approx(speed_rpm, abs=1e-5)


@pytest.mark.parametrize("acceleration, expected", [(1e4, 0.161258), (5e4, 0.806288), (-5e4, -0.806288)])
def test_acceleration_leaves_a_lag_of_alpha_over_natural_frequency_squared(make_scenario, verified, acceleration, expected):
    """300 Hz: 0.161258 deg at 1e4 rad/s2, 0.806288 deg at 5e4 (Hanselman 1990, from memory); the detector is a sine."""
    end_rpm = acceleration * 0.03 * 30.0 / math.pi
    ramp = {"points": [[0.0, 0.0], [0.03, end_rpm]], "shape": "linear"}
    recording = turning(make_scenario, ramp, 0.03)
    lag = -np.mean(recording["angle_error_deg"][-100:])
    exact = math.degrees(math.asin(acceleration / WN**2))
    assert exact == pytest.approx(expected, rel=2e-4)
    what = f"tracking loop's lag at {acceleration:g} rad/s2, 300 Hz"
    verified(what, HANSELMAN, expected, lag, 2e-4, "deg", row=expected > 0.0)


@pytest.mark.parametrize("damping", [0.5, 0.70710678, 1.0])
def test_speed_step_error_follows_the_type_ii_loop(make_scenario, damping):
    """A jump of speed: e = dw/(wn sqrt(1 - z^2)) exp(-z wn t) sin(wd t), dw t exp(-wn t) at z = 1 (closed form)."""
    from simcore import Bench

    step_rpm, fs_Hz = 100.0, 20000
    scenario = make_scenario(
        machine={"pole_pairs": 1},
        inverter={"switching_frequency_Hz": fs_Hz},
        load={"speed_rpm": [[0.0, 0.0], [0.001, step_rpm]]},
        sensors={"position": {"kind": "resolver", "tracking_damping": damping}},
        run={"duration_s": 0.008},
    )
    recording = Bench(scenario).run()
    t = np.maximum(recording.time_s - 0.001, 0.0)
    jump = step_rpm * math.pi / 30.0
    if damping < 1.0:
        rate = WN * math.sqrt(1.0 - damping**2)
        expected = jump / rate * np.exp(-damping * WN * t) * np.sin(rate * t)
    else:
        expected = jump * t * np.exp(-WN * t)
    assert np.max(np.degrees(expected)) > 0.1
    assert -recording["angle_error_deg"] == pytest.approx(np.degrees(expected), abs=2e-4)


@pytest.mark.parametrize("angle_deg", [0.0, 45.0, 90.0])
def test_noise_of_the_angle_follows_from_the_noise_bandwidth(make_scenario, verified, angle_deg):
    """Channel noise held one tick through wn (4 z^2 + 1)/(8 z) = 999.6487 Hz: sigma sqrt(2 B tick) (Hanselman 1990, from
    memory), and the exact variance of the sampled loop (discrete Lyapunov equation)."""
    sigma, fs_Hz, damping = 0.01, 20000, 1.0 / math.sqrt(2.0)
    tick_s = 0.5 / fs_Hz
    bandwidth = WN * (4.0 * damping**2 + 1.0) / (8.0 * damping)
    assert bandwidth == pytest.approx(999.6487, abs=1e-3)
    rule = math.degrees(sigma * math.sqrt(2.0 * bandwidth * tick_s))
    block = np.zeros((3, 3))
    block[:2] = [[-2.0 * damping * WN, 1.0, 2.0 * damping * WN], [-(WN**2), 0.0, WN**2]]
    step = expm(block * tick_s)
    drive = step[:2, 2:] * sigma
    exact = math.degrees(math.sqrt(solve_discrete_lyapunov(step[:2, :2], drive @ drive.T)[0, 0]))
    assert exact == pytest.approx(rule, rel=0.02)
    recording = turning(
        make_scenario,
        0.0,
        2.0,
        fs_Hz=fs_Hz,
        noise_rms=sigma,
        tracking_damping=damping,
        initial={"angle_electrical_deg": angle_deg},
    )
    error = recording["angle_error_deg"][10:]
    # 2000 rows a millisecond apart are nearly independent: 1.6 % of an rms.
    what = "rms noise of the tracked angle, 300 Hz, 1 % in the channels, ticks of 25 us"
    verified(what, HANSELMAN, rule, np.std(error), 0.06 * rule, "deg")
    assert abs(np.mean(error)) < 4.0 * exact / math.sqrt(len(error))


@cache
def _stepping():
    """Compiled: the tracking loop alone behind a shaft at rest."""
    from numba import njit

    from simcore.sensing.position import track

    @njit
    def run(sensor, state, h, angles):
        for k in range(len(angles)):
            angles[k] = state[0].tracked_rad
            track(sensor[0], state[0], h, 0.0, 0.0, 0.0, 0.0)

    return run


# Step overshoot: exp(-pi/2) at z = 1/sqrt(2), exp(-2) at z = 1, 29.84361 % at z = 0.5.
@pytest.mark.parametrize("damping, percent", [(0.5, 29.84361), (1.0 / math.sqrt(2.0), 20.78796), (1.0, 13.53353)])
def test_overshoot_of_an_angle_step(verified, damping, percent):
    from simcore.sensing.records import POSITION_SENSOR, RESOLVER, SENSOR_STATE

    sensor, state = np.zeros(1, POSITION_SENSOR), np.zeros(1, SENSOR_STATE)
    sensor["kind"], sensor["pole_pairs"], sensor["cos_quadrature"] = RESOLVER, 1.0, 1.0
    sensor["natural_frequency_rad_s"], sensor["damping"] = WN, damping
    state["tracked_rad"] = -0.001  # the shaft stands at 0: a step small enough for the sine detector to be linear
    angles = np.zeros(4000)
    _stepping()(sensor, state, 2.5e-6, angles)
    overshoot = 100.0 * np.max(angles) / 0.001
    verified(f"tracking loop's step overshoot, damping {damping:.4g}", TYPE_II, percent, overshoot, 2e-3, "%")


def test_loop_agrees_with_a_stiff_reference_at_coarse_steps(make_scenario):
    """20 substeps a tick or 1: the loop is integrated, not sampled (wn step = 0.09, 63 000 rad/s2)."""
    from simcore import Bench

    errors = []
    for substeps in (1, 20):
        scenario = make_scenario(
            machine={"pole_pairs": 1},
            load={"speed_rpm": {"points": [[0.0, 0.0], [0.01, 6000.0], [0.02, -6000.0]], "shape": "linear"}},
            sensors={"position": {"kind": "resolver", "offset_sin": 0.02}},
            run={"duration_s": 0.02, "substeps": substeps},
        )
        errors.append(Bench(scenario).run()["angle_error_deg"])
    assert np.ptp(errors[1]) > 0.5
    assert errors[0] == pytest.approx(errors[1], abs=2e-4)
