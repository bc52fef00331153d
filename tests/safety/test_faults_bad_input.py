"""Faults that cannot be: one sentence each, with key, rule and remedy."""

import pytest
from faulty import faulty_scenario

from simcore.scenario import ScenarioError


def at(kind, **keys):
    return {"kind": kind, "at_s": 0.01, **keys}


OFFSET = at("current_sensor_offset", phase="a", value_A=5.0)
STUCK = at("current_sensor_stuck", phase="a")
FREE = {"load": {"kind": "free", "inertia_kg_m2": 0.01}}
AB = {"sensors": {"current": {"phases": "ab"}}}
RESOLVER = {"sensors": {"position": {"kind": "resolver"}}}
SOFT = {
    "inverter": {"link_capacitance_F": 600e-6},
    "supply": {"kind": "source", "voltage_V": 400, "resistance_ohm": 0.2},
}
BATTERY = {
    "inverter": {"link_capacitance_F": 600e-6},
    "supply": {
        "kind": "battery",
        "open_circuit_voltage_V": [[0.0, 380.0], [1.0, 420.0]],
        "resistance_ohm": 0.1,
        "capacity_Ah": 10.0,
    },
}
# name: (faults, tables, words of the one sentence)
BAD = {
    "unknown kind": (
        [{**OFFSET, "kind": "current_sensor_ofset"}],
        {},
        ['"current_sensor_ofset" is not known', 'Did you mean "current_sensor_offset"'],
    ),
    "far kind": ([{**OFFSET, "kind": "gremlins"}], {}, ["fault.0", "is not known", "current_sensor_offset, "]),
    "shorted turns": ([at("turn_to_turn_short", phase="a")], {}, ["fault.0", "is not modelled", "no key of [machine] tells"]),
    "no kind": ([{"at_s": 0.01}], {}, ["fault.0", "has no kind", "[[fault]]"]),
    "no table": ([3], {}, ["fault.0 = 3: must be a table", "[[fault]]"]),
    "no list": ({"kind": "x"}, {}, ["fault", "must be a list", "[[fault]]"]),
    "no such phase": ([{**OFFSET, "phase": "d"}], {}, ['fault.0.phase = "d"', '"a", "b" or "c"']),
    "another unit": ([{k: v for k, v in OFFSET.items() if k != "value_A"}], {}, ["fault.0.value_A: is missing", "[[fault]]"]),
    "no sensor on that phase": ([{**OFFSET, "phase": "c"}], AB, ['fault.0.phase = "c": there is no sensor on phase c', '"ab"']),
    "end before begin": ([{**OFFSET, "until_s": 0.005}], {}, ["fault.0.until_s = 0.005: must be later than at_s = 0.01"]),
    "negative time": ([{**OFFSET, "at_s": -0.1}], {}, ["fault.0.at_s = -0.1: must be at least 0"]),
    "after the run": ([{**OFFSET, "at_s": 0.05}], {}, ["fault.0.at_s = 0.05: lies outside the run", "0.05 (s)"]),
    "half a pattern": ([{**OFFSET, "on_s": 0.001}], {}, ["fault.0.on_s = 0.001: stands alone", "Add off_s"]),
    "pattern longer than the fault": (
        [{**OFFSET, "until_s": 0.02, "on_s": 0.01, "off_s": 0.01}],
        {},
        ["fault.0.on_s", "never goes off"],
    ),
    "shorter than an update": (
        [{**OFFSET, "on_s": 1e-5, "off_s": 0.01}],
        {},
        ["fault.0.on_s", "shorter than a control update"],
    ),
    "shorter span": ([{**OFFSET, "until_s": 0.01001}], {}, ["fault.0.until_s", "shorter than a control update"]),
    "end of what is for good": ([at("shaft_broken", until_s=0.02)], FREE, ["fault.0.until_s", "current_sensor_offset"]),
    "rail of an endless range": ([at("current_sensor_lost", phase="a", reads="high")], {}, ["fault.0.reads", "range_A"]),
    "saturates beyond the range": (
        [at("current_sensor_saturated", phase="a", value_A=700.0)],
        {"sensors": {"current": {"range_A": 600.0}}},
        ["fault.0.value_A = 700.0", "600"],
    ),
    "encoder fault on a resolver": ([at("encoder_counts_lost", counts=3)], RESOLVER, ["needs an encoder", '"resolver"']),
    "resolver fault without one": ([at("resolver_excitation_lost")], {}, ["needs a resolver", '"ideal"']),
    "no counts": (
        [at("encoder_counts_lost", counts=0)],
        {"sensors": {"position": {"kind": "encoder", "lines": 100}}},
        ["fault.0.counts = 0: loses nothing"],
    ),
    "shaft of a rig": ([at("shaft_locked")], {}, ["a rig imposes the speed", "free"]),
    "no elastic shaft": ([at("shaft_broken")], FREE, ["no shaft between two masses", "two_mass"]),
    "shock of what is locked": (
        [at("load_torque_shock", value_Nm=1.0)],
        {"load": {"kind": "locked"}},
        ["a locked shaft stands"],
    ),
    "dip of a battery": ([at("supply_dip", factor=0.5)], BATTERY, ["battery", "contactor_open"]),
    "contactor of a stiff link": ([at("contactor_open")], {}, ["needs a link that can move"]),
    "short of a stiff link": ([at("link_short", resistance_ohm=1.0)], {}, ["needs a link that can move"]),
    "short too hard": ([at("link_short", resistance_ohm=1e-3)], SOFT, ["step/(R C) = 41.7, above 1", "0.0421 ohm"]),
    "no such command": ([at("command_lost", command="torque_Nm")], {}, ["gives no such command", '"id_A" or "iq_A"']),
    "no command of that name": ([at("command_lost", command="torque")], {}, ["fault.0.command", 'Did you mean "torque_Nm"']),
    "too late": ([at("controller_late", updates=8)], {}, ["makes 9 updates", "more than 8"]),
    "frozen before it began": ([{"kind": "controller_frozen", "at_s": 0.0}], {}, ["there is none to hold"]),
    "no magnets": (
        [at("magnet_demagnetised", lost_percent=10.0)],
        {"machine": {"magnet_flux_Wb": 0.0}},
        ["the machine has no magnets"],
    ),
    "coolant of a cold machine": ([at("coolant_lost", part="machine")], {}, ["fault.0.part", "heat is not modelled"]),
    "coolant without a sink": ([at("coolant_lost", part="inverter")], {}, ["fault.0.part", "no sink"]),
    "stuck and lost at once": (
        [STUCK, {**STUCK, "kind": "current_sensor_lost", "at_s": 0.02}],
        {},
        ["fault.1.kind", "contradicts fault.0"],
    ),
    "open and closed at once": (
        [at("switch_stuck_open", leg="b", side="upper"), at("switch_stuck_closed", leg="b", side="upper", until_s=0.02)],
        {},
        ["fault.1.kind", "contradicts fault.0, switch_stuck_open (leg = b, side = upper)"],
    ),
    "open and shot through": (
        [at("shoot_through", leg="b"), at("switch_stuck_open", leg="b", side="lower")],
        {},
        ["fault.1.kind", "contradicts fault.0"],
    ),
    "no such leg": ([at("gate_driver_lost", leg="d")], {}, ['fault.0.leg = "d"', '"a", "b" or "c"']),
    "no such side": ([at("switch_stuck_open", leg="a", side="left")], {}, ['fault.0.side = "left"', '"upper" or "lower"']),
    "slow by nothing": ([at("gate_driver_slow", leg="a")], {}, ["fault.0: delays nothing"]),
    "no such pair": ([at("phase_phase_short", phases="ac")], {}, ['fault.0.phases = "ac"', '"ab", "bc" or "ca"']),
    "one command twice": (
        [
            at("command_lost", command="iq_A"),
            {"kind": "command_implausible", "at_s": 0.0, "until_s": 0.02, "command": "iq_A", "value": 3.0},
        ],
        {},
        ["fault.1.kind", "contradicts fault.0"],
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_one_sentence_names_key_rule_and_remedy(name):
    faults, tables, words = BAD[name]
    with pytest.raises(ScenarioError) as refused:
        faulty_scenario(faults, **tables)
    (problem,) = refused.value.problems
    assert all(word in problem for word in words), problem
    assert problem.startswith("faulty.toml: fault")


def test_what_only_looks_contradictory_is_taken():
    other = {**STUCK, "kind": "current_sensor_lost"}
    assert len(faulty_scenario([STUCK, {**other, "phase": "b"}]).fault) == 2
    assert len(faulty_scenario([{**STUCK, "until_s": 0.02}, {**other, "at_s": 0.02}]).fault) == 2
    assert len(faulty_scenario([OFFSET, OFFSET]).fault) == 2
    switch = at("switch_stuck_open", leg="b", side="upper")
    assert len(faulty_scenario([switch, {**switch, "kind": "switch_stuck_closed", "side": "lower"}]).fault) == 2
    assert len(faulty_scenario([switch, at("shoot_through", leg="a")]).fault) == 2


def test_all_problems_of_all_faults_come_at_once():
    with pytest.raises(ScenarioError) as refused:
        faulty_scenario([{**OFFSET, "at_s": 1.0}, {**STUCK, "phase": "e"}, {"kind": "resolver_excitation_lost", "at_s": 0.0}])
    assert [problem.split(":")[1].split(" =")[0].strip() for problem in sorted(refused.value.problems)] == [
        "fault.0.at_s", "fault.1.phase", "fault.2.kind",
    ]  # fmt: skip


def test_a_fault_can_be_set_from_outside():
    from shared_benches import BASE

    from simcore.scenario.reader import scenario_from

    scenario = scenario_from({**BASE, "fault": [OFFSET]}, path="faulty.toml", overrides=["fault.0.value_A=7.5"])
    assert scenario.fault[0].value_A == 7.5 and scenario_from(scenario.resolved).fault == scenario.fault
