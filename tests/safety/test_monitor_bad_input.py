"""Wrong [safety] tables: one sentence each."""

import pytest
from shared_benches import BASE, merge

from simcore.safety.monitor_records import CHECKS
from simcore.scenario import ScenarioError
from simcore.scenario.check_safety import checks_of
from simcore.scenario.reader import scenario_from
from simcore.scenario.safety import Safety

# what is wrong: (tables, pieces that the one sentence holds).
WRONG = {
    "unknown check": (
        {"safety": {"over_current": {}}}, ["safety.over_current: unknown key in [safety]", 'Did you mean "overcurrent"'],
    ),
    "unknown key of a check": (
        {"safety": {"overspeed": {"treshold_rpm": 3000}}},
        ["safety.overspeed.treshold_rpm = 3000: unknown key", 'Did you mean "threshold_rpm"?'],
    ),
    "unknown reaction": (
        {"safety": {"overspeed": {"reaction": "gate_off"}}},
        ['safety.overspeed.reaction = "gate_off": must be', 'Did you mean "gates_off"?'],
    ),
    "no check": ({"safety": {"restart": {"rule": "never"}}}, ["safety: makes no check", 'part = "safety/traction"']),
    "part's checks all off": ({"safety": {"overspeed": {"on": False}}}, ["safety: makes no check"]),
    "limit outside the current sensor's range": (
        {"sensors": {"current": {"adc_bits": 12, "range_A": 500}}, "safety": {"overcurrent": {"threshold_A": 500}}},
        ["safety.overcurrent.threshold_A = 500: lies outside what the sensor shows, sensors.current.range_A = 500 (A)"],
    ),
    "default limit outside the current sensor's range": (
        {"sensors": {"current": {"range_A": 450}}, "safety": {"overcurrent": {}}},
        ["safety.overcurrent.threshold_A: lies outside what the sensor shows (by default 500)", "Lower the threshold"],
    ),
    "limit outside the link sensor's range": (
        {"sensors": {"link_voltage": {"range_V": 500}}, "safety": {"link_overvoltage": {"threshold_V": 510}}},
        ["safety.link_overvoltage.threshold_V = 510: lies outside", "sensors.link_voltage.range_V = 500 (V)"],
    ),
    "over-voltage below the supply": (
        {"safety": {"link_overvoltage": {"threshold_V": 380}}},
        ["safety.link_overvoltage.threshold_V = 380: must be above the supply's 400 (V)"],
    ),
    "under-voltage above the supply": (
        {"safety": {"link_undervoltage": {"threshold_V": 410}}},
        ["safety.link_undervoltage.threshold_V = 410: must be below the supply's 400 (V)"],
    ),
    "over-speed below the machine's": (
        {"safety": {"overspeed": {"threshold_rpm": 9000}}},
        ["safety.overspeed.threshold_rpm = 9000: must not be below machine.max_speed_rpm = 20000 (rpm)"],
    ),
    "hysteresis that cannot hold": (
        {"safety": {"overspeed": {}, "safe_state": {"active_short_above_rpm": 3000, "gates_off_below_rpm": 3000}}},
        ["safety.safe_state.gates_off_below_rpm = 3000: 3000 rpm must be below active_short_above_rpm = 3000 (rpm)"],
    ),
    "a comparator that derates": (
        {"safety": {"overcurrent_fast": {"reaction": "derate"}}},
        ['safety.overcurrent_fast.reaction = "derate": contradicts the check', '"gates_off" or "safe_state"'],
    ),
    "both sides short": (
        {"safety": {"overcurrent": {"reaction": "active_short_low"}, "overspeed": {"reaction": "active_short_high"}}},
        ['safety.overspeed.reaction = "active_short_high": contradicts another check', "short the link"],
    ),
    "the choice shorts the other side": (
        {"safety": {"overcurrent": {"reaction": "active_short_low"}, "overspeed": {}, "safe_state": {"side": "high"}}},
        ['safety.safe_state.side = "high": contradicts another check'],
    ),
    "a ramp-down that lets go and goes off": (
        {"safety": {"overspeed": {"reaction": "ramp_down", "latching": False}}},
        ["safety.overspeed.latching = false: contradicts ramp_down.then", 'ramp_down.then = "hold"'],
    ),
    "negative debounce": (
        {"safety": {"overspeed": {"debounce_s": -1}}}, ["safety.overspeed.debounce_s = -1: must be at least 0 (s)"],
    ),
    "unknown part": (
        {"safety": {"part": "safety/tracton"}}, ['safety.part = "safety/tracton"', 'Did you mean "safety/traction"?'],
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_wrong_safety_tables_get_one_sentence(what):
    tables, pieces = WRONG[what]
    with pytest.raises(ScenarioError) as caught:
        scenario_from(merge(BASE, tables), path="bench.toml")
    problems = caught.value.problems
    assert len(problems) == 1, problems
    assert problems[0].startswith("bench.toml: ") and problems[0].endswith((".", "?"))
    for piece in pieces:
        assert piece in problems[0]


def test_the_language_has_every_check_of_the_kernels():
    every = Safety.model_validate({name: {"opened_at_s": 0.1} if name == "link_discharge" else {} for name in CHECKS})
    assert set(checks_of(every)) == set(CHECKS)


def test_the_part_gives_every_check_but_the_discharge_and_the_scenario_overrides_it():
    changed = {"part": "safety/traction", "overspeed": {"on": False}, "overcurrent": {"threshold_A": 410}}
    safety = scenario_from(merge(BASE, {"safety": changed}), path="bench.toml").safety
    assert set(checks_of(safety)) == set(CHECKS) - {"overspeed", "link_discharge"}
    assert safety.overcurrent.threshold_A == 410 and safety.overcurrent.reaction == "safe_state"
