"""Torque on top of the request: the high-passed speed and the ripple feed-forward, update by update and on a cogging machine.

Isotropic machine: iq = T/(1.5 p psi) tells the torque that is asked for.  High-pass and sines are closed forms; no published
source is needed.
"""

import cmath
import math

import numpy as np
import pytest

from controllers.contract import Measured
from controllers.foc import FieldOrientedController
from simcore import Bench, ScenarioError
from simcore.scenario.reader import scenario_from

PSI, POLE_PAIRS, UPDATE_S = 0.06, 4, 50e-6
PER_A = 1.5 * POLE_PAIRS * PSI
MACHINE = {
    "kind": "constants", "pole_pairs": POLE_PAIRS, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.25e-3,
    "inductance_q_H": 0.25e-3, "magnet_flux_Wb": PSI, "max_current_A": 300, "max_speed_rpm": 12000,
}  # fmt: skip
FREE = {"kind": "free", "inertia_kg_m2": 0.01}


def scenario(tuning, mode="torque", commands=None, load=None, machine=None, duration_s=0.01, initial=None, **controller):
    return scenario_from(
        {
            "machine": {**MACHINE, **(machine or {})}, "inverter": {"switching_frequency_Hz": 10000},
            "supply": {"kind": "source", "voltage_V": 400}, "load": load or FREE,
            "controller": {"mode": mode, "tuning": tuning, **controller},
            "commands": commands or ({"torque_Nm": 0.0} if mode == "torque" else {"speed_rpm": 0.0}),
            "initial": initial or {}, "run": {"duration_s": duration_s, "record_every": 1},
        },
        path="extras.toml",
    )  # fmt: skip


def asked_torque(tuning, speeds_rpm, angles=None, torque_Nm=0.0, requests=None, **more):
    """Updates at given speeds and electrical angles => torque of the current references [Nm] (updates,)."""
    controller = FieldOrientedController()
    controller.reset(Bench(scenario(tuning, **more)).setup())
    absent = dict.fromkeys(Measured._fields[9:], float("nan"))
    found = []
    for k, speed in enumerate(speeds_rpm):
        commands = absent | {"torque_reference_Nm": torque_Nm, "run_request": 1.0 if requests is None else requests[k]}
        angle = 0.0 if angles is None else angles[k]
        command = controller.step(Measured(k * UPDATE_S, 0.0, 0.0, 0.0, angle, speed, 400.0, 25.0, 25.0, **commands))
        assert command.id_reference_A == pytest.approx(0.0, abs=1e-9)
        found.append(PER_A * command.iq_reference_A)
    return np.array(found)


# Damping ----------------------------------------------------------------------------------------------------------------


def test_damping_is_minus_k_times_the_high_passed_speed():
    """A step of 10 rad/s: -k 10 e^(-wh t) at the updates; the speed at the start is no step."""
    speeds = np.where(np.arange(400) < 10, 100.0, 110.0) * 30.0 / math.pi
    found = asked_torque({"torsion_damping_Nm_s": 0.5, "torsion_highpass_Hz": 20.0}, speeds)
    since = (np.arange(400) - 10) * UPDATE_S
    expected = np.where(since < 0.0, 0.0, -5.0 * np.exp(-2.0 * math.pi * 20.0 * since))
    assert found == pytest.approx(expected, abs=1e-4)


def test_damping_comes_after_the_slew():
    """The request creeps, the damping does not: -5 Nm at once on the way to 50 Nm at 1000 Nm/s."""
    speeds = np.array([0.0, 0.0, 10.0, 10.0]) * 30.0 / math.pi
    tuning = {"torsion_damping_Nm_s": 0.5, "torsion_highpass_Hz": 1.0, "torque_slew_Nm_per_s": 1000.0}
    found = asked_torque(tuning, speeds, torque_Nm=50.0)
    assert found == pytest.approx([0.05, 0.10, 0.15 - 5.0, 0.20 - 5.0], abs=3e-3)


def test_at_the_current_limit_the_slew_begins_where_the_limit_left_it():
    """Greatest torque 108 Nm: with -30 Nm on top 130 Nm may be asked for, and what is asked is not cut to the sum."""
    ripple = {"order": 6, "torque_Nm": -30.0, "phase_deg": 90.0}
    tuning = {"torque_feed_forward": [ripple], "torque_slew_Nm_per_s": 20.0 / UPDATE_S}
    found = asked_torque(tuning, np.zeros(12), torque_Nm=130.0)
    assert found == pytest.approx(np.minimum(20.0 * np.arange(1, 13), 130.0) - 30.0, abs=2e-2)
    found = asked_torque(tuning, np.zeros(12), torque_Nm=160.0)
    assert found[8:] == pytest.approx(1.5 * POLE_PAIRS * PSI * 300.0, rel=1e-4)


def test_the_speed_loop_does_not_take_the_extra_torque_for_a_limit():
    """At the reference the integral stays empty, so that 5 Nm of feed-forward stay 5 Nm."""
    tuning = {
        "torque_feed_forward": [{"order": 6, "torque_Nm": 5.0, "phase_deg": 90.0}], "speed_kp_Nm_s": 0.5, "speed_ki_Nm": 5.0,
        "speed_setpoint_weight": 1.0,
    }  # fmt: skip
    found = asked_torque(tuning, np.zeros(200), mode="speed", commands={"speed_rpm": 0.0})
    assert found == pytest.approx(5.0, abs=2e-3)


# Ripple -----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("compensated", [True, False])
@pytest.mark.parametrize("delay, ahead", [(1, 1.5), (2, 2.5), (0, 0.5)])
def test_feed_forward_is_a_sum_of_sines_of_the_angle_where_the_duties_act(delay, ahead, compensated):
    entries = [
        {"order": 6, "torque_Nm": 1.5, "phase_deg": 30.0}, {"order": 12, "torque_Nm": -0.8}, {"order": 1, "torque_Nm": 0.3},
        {"order": 24, "torque_Nm": 0.2, "phase_deg": -100.0},
    ]  # fmt: skip
    angles, speed = np.linspace(-3.0, 3.0, 25), 1500.0
    # Whether the voltage is advanced or not, the duties act when they act.
    tuning = {"torque_feed_forward": entries, "delay_compensation": compensated}
    found = asked_torque(tuning, np.full(25, speed), angles, torque_Nm=20.0, delay_updates=delay)
    at = angles + POLE_PAIRS * speed * math.pi / 30.0 * ahead * UPDATE_S
    expected = 20.0 + sum(
        e["torque_Nm"] * np.sin(e["order"] * at + math.radians(e.get("phase_deg", 0.0))) for e in entries
    )
    assert found == pytest.approx(expected, abs=2e-3)


def test_a_ramp_down_that_rests_asks_for_no_torque_at_all():
    tuning = {
        "torque_feed_forward": [{"order": 6, "torque_Nm": 5.0, "phase_deg": 90.0}], "torsion_damping_Nm_s": 1.0,
        "ramp_down_s": 0.0,
    }  # fmt: skip
    speeds = np.array([0.0, 10.0, 20.0, 30.0, 40.0])
    found = asked_torque(tuning, speeds, torque_Nm=20.0, requests=[1, 1, 0, 0, 1])
    assert np.all(np.abs(found[[0, 1, 4]]) > 5.0)
    assert found[2:4] == pytest.approx(0.0, abs=1e-12)


COGGING = {"order": 6 * POLE_PAIRS, "torque_Nm": 1.5, "phase_deg": 25.0}
MATCHED = {"order": 6, "torque_Nm": -1.5, "phase_deg": 25.0}


def ripple(entries, load=None, mode="torque", commands=None, signal="torque_Nm", speed_rpm=120.0, duration_s=1.0, **more):
    """Amplitude of order 6 of the electrical angle over the second half of the run."""
    tuning = {"current_bandwidth_Hz": 1000.0, **more, "torque_feed_forward": entries}
    made = scenario(
        tuning, mode, commands or {"torque_Nm": 20.0}, load or {"kind": "rig", "speed_rpm": speed_rpm},
        {"cogging": [COGGING]}, duration_s, {"speed_rpm": speed_rpm},
    )  # fmt: skip
    recording = Bench(made).run()
    return recording.measure(signal, "harmonic_amplitude", order=6, from_s=0.5 * duration_s, to_s=duration_s)


def test_cogging_falls_to_a_tenth_and_doubles_with_the_wrong_sign():
    alone, matched = ripple([]), ripple([MATCHED])
    wrong = ripple([{**MATCHED, "torque_Nm": 1.5}])
    assert alone == pytest.approx(1.5, rel=2e-3)
    assert matched < 0.1 * alone
    assert wrong == pytest.approx(2.0 * alone, rel=1e-2)


def test_speed_ripple_of_a_cogging_machine_falls_to_a_tenth():
    commands, free = {"speed_rpm": 120.0}, {"kind": "free", "inertia_kg_m2": 0.02}
    found = {}
    for size in (0.0, -1.5, 1.5):
        entries = [{**MATCHED, "torque_Nm": size}] if size else []
        # The loop starts with an empty integral, hence the two seconds.
        found[size] = ripple(entries, free, "speed", commands, "speed_rpm", speed_bandwidth_Hz=3.0, duration_s=2.0)
    # T/(J omega): 1.5 Nm at 6 x 4 x 12.57 rad/s on 0.02 kg m2.
    assert found[0.0] == pytest.approx(1.5 / (0.02 * 24.0 * 4.0 * math.pi) * 30.0 / math.pi, rel=1e-2)
    assert found[-1.5] < 0.1 * found[0.0]
    assert found[1.5] == pytest.approx(2.0 * found[0.0], rel=2e-2)


def test_what_is_left_at_speed_is_the_current_loops_lag():
    """1 - e^(1.5 j w T) K/(z^2 - z + K), z = e^(j w T): the sampled loop that field tuners know, its reference advanced."""
    turn, gain = 6.0 * POLE_PAIRS * 600.0 * math.pi / 30.0 * UPDATE_S, 2.0 * math.pi * 1000.0 * UPDATE_S
    z = cmath.exp(1j * turn)
    expected = 1.5 * abs(1.0 - z**1.5 * gain / (z * z - z + gain))
    assert ripple([MATCHED], speed_rpm=600.0, duration_s=0.2) == pytest.approx(expected, rel=0.03)


# Wrong input, equal bits --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("entries", "words"),
    [
        (1.5, ["torque_feed_forward: must be a list of at most 4 tables", "Write [{ order = 6"]),
        ([{"order": 6, "torque_Nm": 1.0}] * 5, ["at most 4 tables"]),
        ([6], ["torque_feed_forward[0] = 6: must be a table", "Write { order = 6"]),
        ([{"order": 6.5, "torque_Nm": 1.0}], ["[0].order = 6.5: must be a whole number, of the electrical angle"]),
        ([{"order": 0, "torque_Nm": 1.0}], ["[0].order = 0: must be a number from 1 to 200"]),
        ([{"order": 6, "torque_Nm": "1"}], ["[0].torque_Nm = '1': must be a number", "(Nm)"]),
        ([{"order": 6, "torque_Nm": 1.0, "phse_deg": 1.0}], ["[0].phse_deg: an entry has no such key", '"phase_deg"?']),
        ([{"order": 6, "torque_Nm": 1.0}, {"order": 6}], ["[1].torque_Nm: is missing"]),
    ],
)
def test_a_wrong_entry_gets_one_sentence(entries, words):
    with pytest.raises(ScenarioError) as caught:
        Bench(scenario({"torque_feed_forward": entries})).run()
    (sentence,) = caught.value.problems
    for word in words:
        assert word in sentence, sentence


def test_compiled_and_python_steps_give_equal_bits():
    tuning = {"torque_feed_forward": [MATCHED, {"order": 12, "torque_Nm": 1.0}]}
    made = scenario(tuning, commands={"torque_Nm": 20.0}, machine={"cogging": [COGGING]})
    compiled, python = Bench(made).run(), Bench(made).run(in_python=True)
    for name in compiled.signals:
        assert np.array_equal(compiled[name], python[name], equal_nan=True), name
