"""Every sentence about a tuning that the field-oriented controller cannot work with."""

import copy
from pathlib import Path

import pytest

from controllers import Setup, TuningError
from controllers.foc import FieldOrientedController
from controllers.tuning_keys import FEED_FORWARD, KEYS, SWITCHES
from simcore import Bench, ScenarioError
from simcore.scenario.reader import scenario_from

BASE = {
    "machine": {
        "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.2e-3,
        "inductance_q_H": 0.6e-3, "magnet_flux_Wb": 0.07, "max_current_A": 400, "max_speed_rpm": 20000,
    },
    "inverter": {"switching_frequency_Hz": 10000},
    "supply": {"kind": "source", "voltage_V": 400},
    "load": {"kind": "free", "inertia_kg_m2": 0.05},
    "controller": {"mode": "speed"},
    "commands": {"speed_rpm": 100.0},
    "run": {"duration_s": 0.001},
}  # fmt: skip


def refusal(tuning, mode="speed"):
    document = copy.deepcopy(BASE)
    document["controller"] = {"mode": mode, "tuning": tuning}
    document["commands"] = {"speed": {"speed_rpm": 100.0}, "current": {"iq_A": 1.0}, "torque": {"torque_Nm": 1.0}}[mode]
    with pytest.raises(ScenarioError) as caught:
        Bench(scenario_from(document, path="tuned.toml")).run()
    return caught.value.problems


GAINS = {"kp_d_V_per_A": 1.0, "kp_q_V_per_A": 1.0, "ki_d_V_per_As": 1.0, "ki_q_V_per_As": 1.0}


@pytest.mark.parametrize(
    ("tuning", "words"),
    [
        (
            {"curent_bandwidth_Hz": 500},
            ["tuned.toml: controller.tuning.curent_bandwidth_Hz", "no such key", 'Did you mean "current_bandwidth_Hz"?'],
        ),
        ({"zzz": 1}, ["controller.tuning.zzz", "Known are current_bandwidth_Hz"]),
        ({"current_bandwidth_Hz": "fast"}, ["current_bandwidth_Hz = 'fast'", "must be a number from 0", "(Hz)"]),
        ({"current_bandwidth_Hz": True}, ["current_bandwidth_Hz = True", "must be a number"]),
        ({"current_bandwidth_Hz": [500]}, ["current_bandwidth_Hz = [500]", "must be a number"]),
        ({"current_bandwidth_Hz": -1.0}, ["current_bandwidth_Hz = -1.0", "from 0 to 1e+06 (Hz)"]),
        ({"voltage_use": 3.0}, ["voltage_use = 3.0", "from 0.1 to 1.2"]),
        ({"speed_setpoint_weight": 1.5}, ["speed_setpoint_weight = 1.5", "from 0 to 1"]),
        ({"torque_slew_Nm_per_s": -5}, ["torque_slew_Nm_per_s = -5", "(Nm/s)"]),
        ({"inertia_kg_m2": -5}, ["inertia_kg_m2 = -5", "(kg m2)"]),
        ({"decoupling": 1}, ["decoupling = 1", "must be true or false"]),
        ({"delay_compensation": "yes"}, ["delay_compensation = 'yes'", "must be true or false"]),
        (
            {"kp_d_V_per_A": 1.0},
            ["kp_d_V_per_A given without kp_q_V_per_A, ki_d_V_per_As, ki_q_V_per_As", "or current_bandwidth_Hz"],
        ),
        ({**GAINS, "current_bandwidth_Hz": 500}, ["current_bandwidth_Hz and kp_d_V_per_A contradict", "not both"]),
        ({"speed_kp_Nm_s": 1.0}, ["speed_kp_Nm_s given without speed_ki_Nm", "or speed_bandwidth_Hz"]),
        (
            {"speed_kp_Nm_s": 1.0, "speed_ki_Nm": 1.0, "speed_bandwidth_Hz": 5},
            ["speed_bandwidth_Hz and speed_kp_Nm_s contradict"],
        ),
    ],
)  # fmt: skip
def test_one_sentence_with_key_value_rule_and_remedy(tuning, words):
    problems = refusal(tuning)
    assert len(problems) == 1
    for word in words:
        assert word in problems[0], problems[0]
    assert problems[0].startswith("tuned.toml: controller.tuning")
    assert problems[0].rstrip().endswith((".", "?"))


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_numbers_that_are_none_are_refused_on_reading(value):
    document = copy.deepcopy(BASE)
    document["controller"]["tuning"] = {"current_bandwidth_Hz": value}
    with pytest.raises(ScenarioError, match="controller.tuning.current_bandwidth_Hz"):
        Bench(scenario_from(document, path="tuned.toml")).run()


def test_the_readme_tells_every_key():
    readme = (Path(__file__).parents[2] / "README.md").read_text()
    missing = [name for name in (*KEYS, *SWITCHES, FEED_FORWARD) if f"`{name}`" not in readme]
    assert not missing


@pytest.mark.parametrize("name", sorted(KEYS))
def test_every_key_refuses_what_lies_beyond_its_range(name):
    _, low, high, unit = KEYS[name]
    for value in (low - 1.0, 2.0 * high, "much", True):
        problems = refusal({name: value})
        assert len(problems) == 1 and f"controller.tuning.{name} = {value!r}: must be a number" in problems[0]
        assert (f"({unit})" in problems[0]) == bool(unit)


def test_all_problems_are_told_at_once():
    problems = refusal({"curent_bandwidth_Hz": 500, "voltage_use": 9.0, "decoupling": "no"})
    assert len(problems) == 3
    problems = refusal({"kp_d_V_per_A": 1.0, "speed_kp_Nm_s": 1.0})
    assert len(problems) == 2


def test_speed_keys_are_accepted_and_unused_in_other_modes():
    document = copy.deepcopy(BASE)
    document["controller"] = {"mode": "current", "tuning": {"speed_kp_Nm_s": 1.0, "speed_ki_Nm": 0.5}}
    document["commands"] = {"iq_A": 1.0}
    Bench(scenario_from(document, path="tuned.toml")).run()


def setup(**changes):
    scenario = scenario_from(copy.deepcopy(BASE), path="tuned.toml")
    made = Bench(scenario).setup()
    return Setup(**{**vars(made), **changes})


def test_without_an_inertia_speed_mode_says_what_it_misses():
    with pytest.raises(TuningError) as caught:
        FieldOrientedController().reset(setup(inertia_kg_m2=None))
    assert "controller.tuning.inertia_kg_m2: missing" in caught.value.problems[0]
    assert "(kg m2)" in caught.value.problems[0]
    # Given gains need no inertia.
    FieldOrientedController().reset(setup(inertia_kg_m2=None, tuning={"speed_kp_Nm_s": 1.0, "speed_ki_Nm": 1.0}))
    FieldOrientedController().reset(setup(inertia_kg_m2=None, tuning={"inertia_kg_m2": 0.1}))


def test_an_unknown_mode_names_those_it_knows():
    with pytest.raises(TuningError) as caught:
        FieldOrientedController().reset(setup(mode="position"))
    assert 'controller.mode = "position"' in caught.value.problems[0]
    for mode in ("torque", "speed", "current", "voltage", "open_loop"):
        assert mode in caught.value.problems[0]


def test_the_set_up_carries_what_the_contract_says():
    document = copy.deepcopy(BASE)
    document["inverter"]["update"] = "single"
    document["controller"] = {
        "mode": "speed",
        "delay_updates": 2,
        "machine": {"magnet_flux_Wb": 0.09},
        "tuning": {"voltage_use": 0.9},
    }
    made = Bench(scenario_from(document, path="tuned.toml")).setup()
    assert made.update_s == pytest.approx(100e-6) and made.tick_s == pytest.approx(50e-6)
    assert made.delay_updates == 2 and made.mode == "speed" and made.tuning == {"voltage_use": 0.9}
    assert made.inertia_kg_m2 == 0.05
    assert made.machine.magnet_flux_Wb == 0.09 and made.machine.inductance_q_H == 0.6e-3
    assert made.inverter.switching_frequency_Hz == 10000
