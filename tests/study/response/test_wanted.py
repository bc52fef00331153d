"""Gains for what is wanted: the printed keys, put into the scenario, give it; the optima against their textbook figures."""

import math

import pytest

from simcore.study.response.built_in import BuiltIn, flux_of
from simcore.study.response.drive_at import linear_drive
from simcore.study.response.point import at_time
from simcore.study.response.predicted import predict_current, predict_speed
from simcore.study.response.wanted import Tuner, WantedError, read_wish

KESSLER = "Kessler, 1955, 1958; Umland, Safiuddin, 1990 [M]"


@pytest.fixture
def drive_scenario(make_scenario):
    """A drive with a speed loop, at 1500 rpm and 30 Nm; slow sampling leaves a dead time that counts."""

    def make(**changes):
        return make_scenario(
            machine={"inductance_q_H": 0.3e-3, **changes.pop("machine", {})},
            load={"replace": True, "kind": "free", "inertia_kg_m2": 0.05, "torque_Nm": 30.0},
            controller={"mode": "speed", **changes.pop("controller", {})},
            commands={"replace": True, "speed_rpm": 1500.0},
            **changes,
        )

    return make


def tuner_of(scenario):
    return Tuner(scenario, at_time(scenario, BuiltIn(scenario)), flux_of(scenario.machine))


@pytest.mark.parametrize(
    "wish", ["current_crossover_Hz=700", "current_margin_deg=55", "speed_crossover_Hz=35", "speed_margin_deg=45"]
)
def test_the_printed_keys_give_what_was_asked(drive_scenario, wish):
    rule, value = read_wish(wish)
    suggestion = tuner_of(drive_scenario()).suggest(rule, value)
    assert suggestion.lines[0] == "[controller.tuning]"
    keys = dict(line.split(" = ") for line in suggestion.lines[1:])
    # As a user would: the printed line in the scenario, everything read anew.
    again = drive_scenario(controller={"tuning": {key: float(number) for key, number in keys.items()}})
    built_in = BuiltIn(again)
    drive = linear_drive(again, built_in, at_time(again, built_in), with_speed=rule.startswith("speed"))
    loop = predict_speed(drive) if rule.startswith("speed") else predict_current(drive)
    margins = loop.worst.margins
    found = margins.phase_margin_deg if "margin" in rule else max(cut.margins.crossover_Hz for cut in loop.cuts.values())
    assert found == pytest.approx(value, rel=0.02 if "crossover" in rule else 1e-4)
    assert loop.stable


def test_magnitude_optimum_of_the_current_loop(verified, drive_scenario):
    # kp = L/(2 T) with T = 1.5 update periods: the sampled loop K = 1/3, whose overshoot is 1/27 and margin 61.2178 deg.
    scenario = drive_scenario(machine={"stator_resistance_ohm": 1e-6, "inductance_q_H": 0.2e-3, "magnet_flux_Wb": 0.0701})
    suggestion = tuner_of(scenario).suggest("current_magnitude_optimum", None)
    assert suggestion.tuning["current_bandwidth_Hz"] == pytest.approx(1.0 / (4.0 * math.pi * 1.5 * 50e-6), rel=1e-5)


def test_speed_optima_near_the_textbooks(verified, drive_scenario):
    """The optima suppose one small lag; the exact loop has a current loop, dead times and a hold: some per cent apart."""
    tuner = tuner_of(drive_scenario(controller={"tuning": {"current_bandwidth_Hz": 600}}))
    for rule, a, margin_deg, overshoot_percent in (
        ("symmetrical", 2.0, 36.8699, 8.1465),
        ("symmetrical", 4.0, 61.9275, None),
        ("magnitude", None, 65.5302, 4.3214),
    ):
        loop = tuner.suggest(f"speed_{rule}_optimum", a).loop
        by = f"by the {rule} optimum{f', a = {a:g}' if a else ''}, exact speed loop"
        verified(f"phase margin {by}", KESSLER, margin_deg, loop.worst.margins.phase_margin_deg, 3.0, "deg")
        if overshoot_percent is not None:
            verified(f"overshoot {by}", KESSLER, overshoot_percent, loop.steps["speed"].overshoot_percent, 3.0, "%")


def test_keys_that_contradict_are_named(drive_scenario):
    scenario = drive_scenario(controller={"tuning": {"current_bandwidth_Hz": 600, "speed_bandwidth_Hz": 20}})
    lines = tuner_of(scenario).suggest("speed_symmetrical_optimum", 2.0).lines
    assert lines[-1] == "# without speed_bandwidth_Hz" and "speed_setpoint_weight = 0" in lines


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("current_margin=60", ['there is no such rule. Did you mean "current_margin_deg"']),
        ("current_margin_deg", ["needs a value"]),
        ("current_margin_deg=sixty", ["must be a number from 1 to 179"]),
        ("speed_crossover_Hz=-3", ["must be a number from"]),
        ("current_magnitude_optimum=3", ["takes no value"]),
        ("zzz", ["Known are current_crossover_Hz"]),
    ],
)
def test_wishes_that_cannot_be_read(text, words):
    with pytest.raises(WantedError) as caught:
        read_wish(text)
    assert all(word in str(caught.value) for word in ["--for", *words])


def test_wishes_that_cannot_be_reached(drive_scenario, make_scenario):
    with pytest.raises(WantedError, match="cannot be reached here; by the bandwidth alone it goes from"):
        tuner_of(drive_scenario()).suggest("speed_margin_deg", 150.0)
    with pytest.raises(WantedError, match='has no speed loop. Use it with controller.mode = "speed"'):
        tuner_of(make_scenario()).suggest("speed_margin_deg", 50.0)
