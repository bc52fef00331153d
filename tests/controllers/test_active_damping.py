"""Active resistance of the current loop and damping of a torsional oscillation, against closed forms.

Active resistance: L. Harnefors, H.-P. Nee, IEEE Trans. Ind. Appl. 34(1), 1998 (from memory).  Disturbance and characteristic
polynomials are derived beside the numbers; scipy and numpy give exponentials and roots.
"""

import math
from functools import cache

import numpy as np
import pytest

from simcore import Bench, ScenarioError
from simcore.scenario.reader import scenario_from

HARNEFORS = "Harnefors, Nee, IEEE TIA 34, 1998 [M], derived"
R, L, PSI, POLE_PAIRS = 0.02, 0.3e-3, 0.1, 4
MACHINE = {
    "kind": "constants", "pole_pairs": POLE_PAIRS, "stator_resistance_ohm": R, "inductance_d_H": L, "inductance_q_H": L,
    "magnet_flux_Wb": PSI, "max_current_A": 400, "max_speed_rpm": 12000,
}  # fmt: skip


def run(mode, commands, load, tuning, duration_s=0.05, in_python=False, initial=None, **controller):
    return Bench(scenario_from(
        {
            "machine": MACHINE, "inverter": {"switching_frequency_Hz": 10000},
            "supply": {"kind": "source", "voltage_V": 400}, "load": load,
            "controller": {"mode": mode, "tuning": tuning, **controller}, "commands": commands,
            "initial": initial or {}, "run": {"duration_s": duration_s, "record_every": 1},
        },
        path="damped.toml",
    )).run(in_python=in_python)  # fmt: skip


# Active resistance ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("axis", ["id_A", "iq_A"])
@pytest.mark.parametrize("active", [False, True])
def test_the_reference_is_followed_alike(verified, active, axis):
    """alpha/(s + alpha) with and without: 63 % after 1/alpha."""
    alpha = 2.0 * math.pi * 60.0
    tuning = {"current_bandwidth_Hz": 60.0, "active_resistance": active}
    recording = run("current", {axis: 100.0}, {"kind": "locked"}, tuning)
    # Sampled, with one update of delay: kp = alpha L, ki = alpha R, or Ra = alpha L - R and ki = alpha^2 L.
    resistance, ki = (alpha * L - R, alpha**2 * L) if active else (0.0, alpha * R)
    decay = math.exp(-R * 50e-6 / L)
    current, integral, acting, expected = 0.0, 0.0, 0.0, []
    for _ in range(len(recording)):
        expected.append(current)
        voltage = alpha * L * (100.0 - current) + integral - resistance * current
        integral += ki * 50e-6 * (100.0 - current)
        current, acting = decay * current + (1.0 - decay) / R * acting, voltage
    assert recording[axis] == pytest.approx(np.array(expected), abs=1e-8)
    at = int(round(1.0 / alpha / 50e-6))
    what = f"current one time constant after a step, 60 Hz bandwidth, {'with' if active else 'without'} active resistance"
    verified(what, HARNEFORS, 100.0 * (1.0 - math.exp(-1.0)), recording[axis][at], 1.5, "A")


@pytest.mark.parametrize("active", [False, True])
def test_answer_to_a_rising_back_emf(verified, active):
    """e = c t, unknown to the controller.  i/e = -s/((s + alpha)(L s + R)) without, -s/(L (s + alpha)^2) with."""
    alpha, slope_rpm = 2.0 * math.pi * 60.0, 4000.0 / 0.1
    c = POLE_PAIRS * PSI * slope_rpm * math.pi / 30.0
    recording = run(
        "current", {"iq_A": 0.0}, {"kind": "rig", "speed_rpm": {"points": [[0.0, 0.0], [0.1, 4000.0]], "shape": "linear"}},
        {"current_bandwidth_Hz": 60.0, "active_resistance": active}, 0.1, machine={"magnet_flux_Wb": 0.0},
    )  # fmt: skip
    t = recording.time_s
    if active:
        expected = -c / (L * alpha**2) * (1.0 - (1.0 + alpha * t) * np.exp(-alpha * t))
    else:
        b = R / L
        expected = -c / (R * alpha) * (1.0 - (alpha * np.exp(-b * t) - b * np.exp(-alpha * t)) / (alpha - b))
    error = np.max(np.abs(recording["iq_A"] - expected)) / np.max(np.abs(expected))
    assert error < 0.03
    at = int(0.02 / 50e-6)
    what = f"q current 20 ms into a rising back-EMF, 60 Hz bandwidth, {'with' if active else 'without'} active resistance"
    verified(what, HARNEFORS, expected[at], recording["iq_A"][at], 0.03 * abs(expected[at]), "A")


def test_edge_of_stability_with_active_resistance(verified):
    """Roots of current, integral and acting voltage, one update of delay: unit circle near alpha T = 0.46 (1 without)."""
    decay = math.exp(-R * 50e-6 / L)

    def radius(gain):
        alpha = gain / 50e-6
        rows = [[decay, 0.0, (1.0 - decay) / R], [-(alpha**2) * L * 50e-6, 1.0, 0.0], [-(2.0 * alpha * L - R), 1.0, 0.0]]
        return np.abs(np.linalg.eigvals(rows)).max()

    assert radius(0.455) < 1.0 < radius(0.465)
    for gain in (0.42, 0.48):
        tuning = {"current_bandwidth_Hz": gain / (2.0 * math.pi * 50e-6), "active_resistance": True}
        current = run("current", {"iq_A": 1e-3}, {"kind": "locked"}, tuning, 0.02)["iq_A"] - 1e-3
        grown = np.max(np.abs(current[200:240])) / np.max(np.abs(current[100:140]))
        what = f"growth of the swing an update with active resistance, alpha T = {gain:g}"
        source = HARNEFORS.replace("derived", "sampled, derived")
        verified(what, source, radius(gain), grown ** (1.0 / 100.0), 1e-3)


def test_active_resistance_settles_at_the_voltage_limit_as_well():
    torque = [
        run("torque", {"torque_Nm": [[0.0, 0.0], [0.02, 150.0]]}, {"kind": "rig", "speed_rpm": 5000}, {
            "current_bandwidth_Hz": 200, "active_resistance": active, "voltage_use": 1.0}, 0.2)["torque_Nm"][-200:]
        for active in (False, True)
    ]  # fmt: skip
    assert np.mean(torque[1]) == pytest.approx(np.mean(torque[0]), rel=1e-4)
    assert np.ptp(torque[1]) < 0.1


def test_where_the_winding_is_faster_than_the_loop_nothing_is_added():
    """alpha L < R: Ra = 0 and ki = alpha R, which is the loop without."""
    answers = [
        run("current", {"iq_A": 50.0}, {"kind": "locked"}, {"current_bandwidth_Hz": 5.0, "active_resistance": active})["iq_A"]
        for active in (False, True)
    ]
    assert answers[0] == pytest.approx(answers[1], abs=1e-9)


def test_given_gains_and_active_resistance_contradict():
    gains = {"kp_d_V_per_A": 1.0, "kp_q_V_per_A": 1.0, "ki_d_V_per_As": 1.0, "ki_q_V_per_As": 1.0}
    with pytest.raises(ScenarioError) as caught:
        run("current", {"iq_A": 1.0}, {"kind": "locked"}, {**gains, "active_resistance": True})
    (sentence,) = caught.value.problems
    assert "active_resistance and kp_d_V_per_A contradict" in sentence and "Give current_bandwidth_Hz" in sentence


# Two masses -------------------------------------------------------------------------------------------------------------

J1, J2, STIFFNESS, SHAFT = 0.02, 0.06, 900.0, 0.02
TWO_MASS = {
    "kind": "two_mass", "inertia_kg_m2": J1, "load_inertia_kg_m2": J2, "stiffness_Nm_per_rad": STIFFNESS, "damping_Nm_s": SHAFT,
}  # fmt: skip
BANDWIDTH_HZ, HIGHPASS_HZ = 1500.0, 2.0


def oscillation(damping):
    """k => pair of roots of the two masses with torque -k s/(s + wh) omega1 behind the current loop's lag, as complex."""
    wh, alpha = 2.0 * math.pi * HIGHPASS_HZ, 2.0 * math.pi * BANDWIDTH_HZ
    # States: omega1, omega2, twist, slow speed, torque.  The delay of 1.5 updates is left out: 1 % of the phase at 40 Hz.
    matrix = np.array([
        [-SHAFT / J1, SHAFT / J1, -STIFFNESS / J1, 0.0, 1.0 / J1],
        [SHAFT / J2, -SHAFT / J2, STIFFNESS / J2, 0.0, 0.0],
        [1.0, -1.0, 0.0, 0.0, 0.0],
        [wh, 0.0, 0.0, -wh, 0.0],
        [-alpha * damping, 0.0, 0.0, alpha * damping, -alpha],
    ])  # fmt: skip
    roots = np.linalg.eigvals(matrix)
    return next(root for root in roots if 100.0 < root.imag < 1000.0)


def exponentials(samples, step_s, count):
    """Samples of a sum of `count` exponentials => their exponents, by the matrix pencil (Hua, Sarkar 1990, from memory)."""
    half = len(samples) // 2
    hankel = np.array([samples[k : k + half] for k in range(len(samples) - half + 1)])
    left, _, _ = np.linalg.svd(hankel, full_matrices=False)
    basis = left[:, :count]
    return np.log(np.linalg.eigvals(np.linalg.pinv(basis[:-1]) @ basis[1:]).astype(complex)) / step_s


@cache
def rung(mode, damping):
    """Motor speed [rad/s] that rings after a torque or load step => pair of exponents found in it."""
    tuning = {"current_bandwidth_Hz": BANDWIDTH_HZ, "torsion_damping_Nm_s": damping, "torsion_highpass_Hz": HIGHPASS_HZ}
    commands = {"torque_Nm": [[0.0, 0.0], [0.01, 10.0], [0.015, 0.0]]}
    recording = run(mode, commands, TWO_MASS, tuning, 0.3)
    every = 40
    samples = recording["speed_rpm"][400::every] * math.pi / 30.0
    found = exponentials(samples, every * 50e-6, 4)
    return found[np.argmax(found.imag)]


@pytest.mark.parametrize("damping", [0.0, 1.0, 4.0])
def test_damping_ratio_of_the_closed_loop_is_that_of_its_characteristic_polynomial(verified, damping):
    expected, found = oscillation(damping), rung("torque", damping)
    ratio, ratio_found = (-root.real / abs(root) for root in (expected, found))
    what = f"damping ratio of two masses, 0.02 and 0.06 kg m2, 900 Nm/rad, torsional damping of {damping:g} Nm s"
    verified(what, "roots of the characteristic polynomial, derived", ratio, ratio_found, 0.03 * ratio + 2e-4)
    assert abs(found) == pytest.approx(abs(expected), rel=5e-3)


def test_damping_is_damping():
    assert -oscillation(0.0).real / abs(oscillation(0.0)) < 0.005 < 0.1 < -rung("torque", 4.0).real / abs(rung("torque", 4.0))


def test_in_speed_mode_the_torsional_oscillation_is_damped_as_well():
    swing = {}
    for damping in (0.0, 4.0):
        tuning = {
            "current_bandwidth_Hz": BANDWIDTH_HZ, "speed_bandwidth_Hz": 2.0, "torsion_damping_Nm_s": damping,
            "torsion_highpass_Hz": 5.0,
        }  # fmt: skip
        load = {**TWO_MASS, "torque_Nm": [[0.0, 0.0], [0.2, 20.0]]}
        recording = run("speed", {"speed_rpm": 300.0}, load, tuning, 0.4, initial={"speed_rpm": 300.0})
        late = recording["speed_rpm"][int(0.35 / 50e-6) :]
        swing[damping] = np.ptp(late - np.polyval(np.polyfit(np.arange(len(late)), late, 2), np.arange(len(late))))
    assert swing[4.0] < 0.05 * swing[0.0]


@pytest.mark.parametrize("tuning", [{"active_resistance": True}, {"torsion_damping_Nm_s": 2.0, "torque_slew_Nm_per_s": 4000.0}])
def test_compiled_and_python_steps_give_equal_bits(tuning):
    tables = ("torque", {"torque_Nm": 40.0}, TWO_MASS, tuning, 0.02)
    compiled, python = (run(*tables, in_python=way) for way in (False, True))
    for name in compiled.signals:
        assert np.array_equal(compiled[name], python[name], equal_nan=True), name
