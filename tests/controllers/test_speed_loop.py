"""The speed loop against the closed forms of its linear loop, and against the limits.

With kp = w J and ki = w^2 J/4 both poles lie at a = w/2; a set-point weight of 1/2 cancels one of them: 1/(1 + s 2/w), a load
step gives -(T/J) t e^(-a t), a weight of 1 overshoots by e^-2 = 13.53 % at 2/a (derived; two degrees of freedom after
K. J. Astrom, T. Hagglund, PID Controllers, 1995, from memory).
"""

import math

import numpy as np
import pytest

from simcore import Bench
from simcore.scenario.reader import scenario_from

RPM = 30.0 / math.pi
INERTIA = 0.05


def run(commands, tuning=None, load=None, duration_s=0.5, update="double", machine=None, initial=None):
    scenario = scenario_from(
        {
            "machine": {
                "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.25e-3,
                "inductance_q_H": 0.25e-3, "magnet_flux_Wb": 0.06, "max_current_A": 300, "max_speed_rpm": 4000,
                **(machine or {}),
            },
            "inverter": {"switching_frequency_Hz": 10000, "update": update},
            "supply": {"kind": "source", "voltage_V": 400},
            "load": {"kind": "free", "inertia_kg_m2": INERTIA, **(load or {})},
            "controller": {
                "mode": "speed",
                "tuning": {
                    "current_bandwidth_Hz": 1200, **({} if "speed_kp_Nm_s" in (tuning or {}) else {"speed_bandwidth_Hz": 5.0}),
                    **(tuning or {}),
                },
            },
            "commands": commands,
            "initial": initial or {},
            "run": {"duration_s": duration_s, "record_every": 1},
        },
        path="speed.toml",
    )  # fmt: skip
    return Bench(scenario).run()


W = 2.0 * math.pi * 5.0


@pytest.mark.parametrize("update", ["double", "single"])
@pytest.mark.parametrize("size_rpm", [100.0, -100.0])
def test_a_step_settles_like_one_time_constant(size_rpm, update):
    recording = run({"speed_rpm": size_rpm}, update=update)
    share = recording["speed_rpm"] / size_rpm
    assert share == pytest.approx(1.0 - np.exp(-0.5 * W * recording.time_s), abs=0.005)
    assert share.max() < 1.001
    assert recording["speed_rpm"][-1] == pytest.approx(size_rpm, rel=1e-3)
    assert np.array_equal(recording["speed_reference_rpm"], np.full(len(share), size_rpm))


@pytest.mark.parametrize(("weight", "overshoot"), [(0.0, 0.0), (0.5, 0.0), (1.0, math.exp(-2.0))])
def test_the_set_point_weight_places_the_zero(verified, weight, overshoot):
    recording = run({"speed_rpm": 100.0}, {"speed_setpoint_weight": weight})
    a = 0.5 * W
    # y = 1 - (1 + (1 - 2 weight) a t) e^(-a t).
    t = recording.time_s
    expected = 1.0 - (1.0 + (1.0 - 2.0 * weight) * a * t) * np.exp(-a * t)
    assert recording["speed_rpm"] / 100.0 == pytest.approx(expected, abs=0.008)
    found = recording["speed_rpm"].max() - 100.0
    what = f"overshoot of the speed loop, double pole, set-point weight {weight:g}"
    verified(what, "Astrom, Hagglund, PID Controllers, 1995 [M], derived", 100.0 * overshoot, found, 0.8, "%", row=weight > 0.0)


def test_a_step_of_load_dips_by_its_closed_form(verified):
    recording = run(
        {"speed_rpm": 500.0}, load={"torque_Nm": [[0.0, 0.0], [0.2, 20.0]]}, initial={"speed_rpm": 500.0}, duration_s=0.6
    )
    late = recording.time_s - 0.2
    # The integral starts empty: the first 0.2 s also settle what the weight of 1/2 asks.
    undisturbed = run({"speed_rpm": 500.0}, initial={"speed_rpm": 500.0}, duration_s=0.6)
    dip = (recording["speed_rpm"] - undisturbed["speed_rpm"]) / RPM
    a = 0.5 * W
    expected = np.where(late > 0.0, -20.0 / INERTIA * late * np.exp(-a * late), 0.0)
    assert dip == pytest.approx(expected, abs=0.02 * 20.0 / INERTIA / a / math.e)
    deepest = -20.0 / INERTIA / a / math.e
    what = "speed dip after a load step of 20 Nm, 0.05 kg m2, 5 Hz speed loop"
    verified(what, "T/(J a e), closed form", deepest, dip.min(), 0.01 * abs(deepest), "rad/s")


def test_friction_and_load_leave_no_steady_error():
    load = {"torque_Nm": 15.0, "viscous_Nm_s": 0.05, "coulomb_Nm": 3.0}
    recording = run({"speed_rpm": 400.0}, load=load, duration_s=1.5)
    assert recording["speed_rpm"][-1] == pytest.approx(400.0, abs=0.01)
    assert recording["torque_Nm"][-1] == pytest.approx(15.0 + 3.0 + 0.05 * 400.0 / RPM, rel=1e-4)


def test_given_gains_act_as_given():
    # A proportional loop alone: J omega' = kp (weight r - omega) - load: tau = J/kp, end value r - load/kp at weight 1.
    recording = run(
        {"speed_rpm": 100.0},
        {"speed_kp_Nm_s": 1.0, "speed_ki_Nm": 0.0, "speed_setpoint_weight": 1.0},
        load={"torque_Nm": 2.0},
    )
    reference = 100.0 / RPM
    expected = (reference - 2.0) * (1.0 - np.exp(-recording.time_s / INERTIA))
    assert recording["speed_rpm"] / RPM == pytest.approx(expected, abs=0.01 * reference)


def test_the_inertia_it_believes_in_sets_the_gains():
    # Twice the inertia believed: J s^2 + 2 w J s + w^2 J/2, zero from weight 1/2: (w s + w^2/2)/(s^2 + 2 w s + w^2/2).
    recording = run({"speed_rpm": 100.0}, {"inertia_kg_m2": 2.0 * INERTIA})
    p1, p2 = -W * (1.0 - math.sqrt(0.5)), -W * (1.0 + math.sqrt(0.5))
    t = recording.time_s
    residues = [(W * p + 0.5 * W**2) / (p * (p - q)) for p, q in ((p1, p2), (p2, p1))]
    expected = 1.0 + residues[0] * np.exp(p1 * t) + residues[1] * np.exp(p2 * t)
    assert recording["speed_rpm"] / 100.0 == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_after_a_long_time_at_the_torque_limit_it_does_not_overshoot(direction):
    # 300 A give 108 Nm: 3000 rpm take 0.145 s at 2160 rad/s2, all of it at the limit.
    recording = run({"speed_rpm": direction * 3000.0}, {"speed_bandwidth_Hz": 20.0}, duration_s=0.5)
    speed = direction * recording["speed_rpm"]
    limited = recording["binding_limit"] == 1
    # The limit is left when the error is (2/w) x acceleration = 34.4 rad/s; from there it decays with w/2 (derived).
    w, acceleration = 2.0 * math.pi * 20.0, 108.0 / INERTIA
    left_s = (3000.0 / RPM - 2.0 / w * acceleration) / acceleration
    t = recording.time_s
    late = t > left_s
    ramp, decay = acceleration * t, 3000.0 / RPM - 2.0 / w * acceleration * np.exp(-0.5 * w * (t - left_s))
    assert speed / RPM == pytest.approx(np.where(late, decay, ramp), abs=2.0)
    assert limited[20 : int(left_s / 50e-6) - 20].all()
    assert speed.max() < 3000.0 * 1.0005
    assert speed[-1] == pytest.approx(3000.0, abs=0.5)


def test_the_torque_reference_is_the_speed_controllers_request():
    recording = run({"speed_rpm": 100.0})
    # First update: kp x weight x reference.
    assert recording["torque_reference_Nm"][0] == pytest.approx(W * INERTIA * 0.5 * 100.0 / RPM, rel=1e-9)


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_a_speed_above_the_machines_is_limited_and_told(direction):
    # Commands above max_speed_rpm are refused on reading; a controller that believes in less limits itself.
    scenario = scenario_from(
        {
            "machine": {
                "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.25e-3,
                "inductance_q_H": 0.25e-3, "magnet_flux_Wb": 0.06, "max_current_A": 300, "max_speed_rpm": 4000,
            },
            "inverter": {"switching_frequency_Hz": 10000},
            "supply": {"kind": "source", "voltage_V": 400},
            "load": {"kind": "free", "inertia_kg_m2": INERTIA},
            "controller": {"mode": "speed", "machine": {"max_speed_rpm": 500}, "tuning": {"speed_bandwidth_Hz": 10}},
            "commands": {"speed_rpm": direction * 800.0},
            "run": {"duration_s": 0.6, "record_every": 1},
        },
        path="fast.toml",
    )  # fmt: skip
    recording = Bench(scenario).run()
    assert recording["speed_rpm"][-1] == pytest.approx(direction * 500.0, rel=1e-3)
    assert recording["binding_limit"][-1] == 7


def test_the_torque_reference_is_what_the_limits_grant():
    """A step of 4000 rpm asks for 1316 Nm; this machine gives 1.5 p psi I = 108 Nm at its 300 A (references' machine D)."""
    recording = run({"speed_rpm": [[0.0, 0.0], [0.01, 4000.0]]}, {"speed_bandwidth_Hz": 20.0}, duration_s=0.03)
    assert recording["torque_reference_Nm"].max() == pytest.approx(108.0, rel=1e-3)


def test_a_run_that_begins_at_its_speed_begins_without_a_jolt(run_scenario):
    # The set-point weight of 1/2 leaves half the proportional part to the integral, which starts where it belongs.
    recording = run_scenario(
        load={"replace": True, "kind": "free", "inertia_kg_m2": 0.02}, initial={"speed_rpm": 2000.0},
        controller={"replace": True, "mode": "speed"}, commands={"replace": True, "speed_rpm": 2000.0},
    )  # fmt: skip
    assert abs(recording["speed_rpm"] - 2000.0).max() < 2.0
