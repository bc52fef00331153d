"""Gate settings and plans, legs that differ, heat in inverter and machine: what is read, what is refused with a sentence."""

import pytest
from scenario_texts import problems_of, spoiled, write

from simcore.scenario import load_scenario

MOSFET = {"kind": "mosfet", "on_resistance_ohm": 1e-3}
IGBT = {"kind": "igbt", "threshold_V": 1.0, "slope_ohm": 2e-3}
GATE = {"reference_voltage_V": 600, "energy_on_J": [[0, 1e-4], [100, 1e-3]]}
GATES = {"brisk": GATE, "calm": GATE}
NETWORK = {"foster": [[0.02, 1e-3], [0.08, 0.05]]}
HEAT = {"coolant_degC": 65, "switch": NETWORK}
MACHINE = {
    "winding_J_per_K": 2000, "iron_J_per_K": 8000, "magnet_J_per_K": 1500, "winding_to_iron_K_per_W": 0.02,
    "iron_to_coolant_K_per_W": 0.02, "magnet_to_iron_K_per_W": 0.2, "coolant_degC": 65,
}  # fmt: skip


def energies(points):
    return {"inverter__gate_settings": {"brisk": GATE | {"energy_on_J": points}}}


def setting(**keys):
    return {"inverter__gate_settings": {"brisk": GATE | keys}}


def plan(*rules, default="calm"):
    return {"inverter__gate_settings": GATES, "inverter__gate_plan": {"default": default, "rules": list(rules)}}


def legs(*own, **devices):
    return {"inverter__gate_settings": GATES, "inverter__devices": MOSFET | {"legs": list(own)} | devices}


def heat(devices=MOSFET, **keys):
    return {"inverter__devices": devices, "inverter__heat": HEAT | keys}


def network(**keys):
    return heat(switch=keys)


def machine(**keys):
    return {"machine__heat": MACHINE | keys}


ON = "inverter.gate_settings.brisk.energy_on_J"
RULE = "inverter.gate_plan.rules.0"
LEG = "inverter.devices.legs"
JUNCTIONS = "inverter.heat"
BAD = {
    "energy falls": (energies([[0, 1e-3], [100, 1e-4]]), [ON, "point 1", "energies do not fall with current"]),
    "energy negative": (energies([[0, -1e-3], [100, 1e-4]]), [ON, "point 0: J -0.001 must not be negative"]),
    "currents out of order": (energies([[0, 1e-3], [0, 2e-3]]), [ON, "does not come after", "Sort the points"]),
    "one point": (energies([[0, 1e-3]]), [ON, "is too short: a table needs two points or more"]),
    "no points": (energies([]), [ON, "must hold at least one [A, J] pair"]),
    "a number": (energies(5e-3), [ON, "must be a list of [A, J] pairs, not 0.005"]),
    "not from 0 A": (energies([[50, 2e-3], [100, 3e-3]]), [ON, "begins at 50 A; it must begin at 0 A", "gives [0, 0.001] (J)"]),
    "below 0 A": (energies([[-50, 2e-3], [100, 3e-3]]), [ON, "begins at -50 A", "remove the points below 0 A"]),
    "no reference voltage": (
        {"inverter__gate_settings": {"brisk": {"energy_off_J": [[0, 0], [1, 1]]}}},
        ["inverter.gate_settings.brisk.reference_voltage_V: is missing"],
    ),
    "negative slope": (setting(di_dt_A_per_s=-1e9), ["di_dt_A_per_s = -1000000000.0: must be above 0"]),
    "slope a word": (setting(dv_dt_V_per_s="fast"), ["dv_dt_V_per_s", "pairs, not \"fast\"", "Write a number, or"]),
    "charge alone": (setting(gate_charge_C=1e-6), ["brisk.gate_swing_V: is missing", "charge x swing"]),
    "swing alone": (setting(gate_swing_V=20.0), ["brisk.gate_charge_C: is missing"]),
    "charge in nC": (setting(gate_charge_nC=900), ["gate_charge_nC = 900: unknown key", "gate_charge_C"]),
    "unknown setting": (
        {"inverter__gate_settings": GATES, "inverter__gate_setting": "bris"},
        ['inverter.gate_setting = "bris": the inverter has no such gate setting', 'Did you mean "brisk"?'],
    ),
    "unknown default": (plan(default="kalm"), ["inverter.gate_plan.default", 'Did you mean "calm"?']),
    "unknown in a rule": (plan({"use": "brik", "above_link_V": 5}), [f"{RULE}.use", 'Did you mean "brisk"?']),
    "plan of no settings": (
        {"inverter__gate_plan": {"default": "calm"}},
        ["inverter.gate_plan.default", "no such gate setting"],
    ),
    "rule that contradicts itself": (
        plan({"use": "brisk", "above_current_A": 50, "below_current_A": 50}),
        [f"{RULE}.above_current_A = 50: contradicts below_current_A = 50"],
    ),
    "rule without condition": (plan({"use": "brisk"}), [f"{RULE}: has no condition", "Give above_current_A"]),
    "hysteresis of nothing": (
        plan({"use": "brisk", "above_link_V": 5, "hysteresis_A": 3}),
        [f"{RULE}.hysteresis_A = 3: has no effect: the rule has neither above_current_A nor below_current_A"],
    ),
    "nine rules": (
        plan(*[{"use": "brisk", "above_link_V": k} for k in range(9)]),
        ["gate_plan.rules", "wrong number of entries"],
    ),
    "nine settings": (
        {"inverter__gate_settings": {f"g{k}": GATE for k in range(9)}}, ["holds 9 gate settings, more than 8"],
    ),
    "one leg": (legs({}), [f"{LEG} = [{{}}]: tells one leg; there are three"]),
    "unknown key of a leg": (legs({}, {}, {"on_resistance_om": 1}), [f"{LEG}.2.on_resistance_om", '"on_resistance_ohm"']),
    "unit of a leg's key": (
        legs({"stray_inductance_nH": 20}, {}, {}),
        [f"{LEG}.0", 'Did you mean "stray_inductance_H = 2e-08'],
    ),
    "value of a leg": (legs({}, {"junction_degC": 500}, {}), [f"{LEG}.1.junction_degC = 500: must be at most 300 (degC)"]),
    "another kind's key in a leg": (legs({}, {"threshold_V": 1}, {}), [f"{LEG}.1.threshold_V", 'belongs to kind = "igbt"']),
    "leg of another kind": (legs({}, {"kind": "igbt"}, {}), [f"{LEG}.1.kind", "cannot differ from leg to leg"]),
    "leg's setting nowhere": (
        legs({"gate_settings": {"brsk": {}}}, {}, {}),
        [f"{LEG}.0.gate_settings.brsk: the inverter has no such gate setting", 'Did you mean "brisk"?'],
    ),
    "leg's energy falls": (
        legs({}, {"gate_settings": {"calm": {"energy_on_J": [[0, 2], [1, 1]]}}}, {}),
        [f"{LEG}.1.gate_settings.calm.energy_on_J", "energies do not fall with current"],
    ),
    "leg's setting no table": (
        legs({"gate_settings": {"calm": 3}}, {}, {}),
        [f"{LEG}.0.gate_settings.calm", "must be a table"],
    ),
    "legs beside devices": ({"inverter__legs": [{}]}, ["inverter.legs", 'Did you mean "inverter.devices.legs"?']),
    "long curve": (
        {"inverter__devices": MOSFET | {"on_resistance_ohm": [[k, 1e-3] for k in range(9)]}},
        ["inverter.devices.on_resistance_ohm", "holds 9 points, more than 8"],
    ),
    "factor of nothing": (
        {"inverter__devices": MOSFET | {"on_resistance_over_current": [[0, 0], [1, 1]]}}, ["factors must be above 0"],
    ),
    "heat of ideal devices": ({"inverter__heat": HEAT}, [f"{JUNCTIONS}: has no devices that could be warm"]),
    "no diode beside an IGBT": (heat(IGBT), [f"{JUNCTIONS}.diode: is missing", "a chip of its own"]),
    "limit below coolant": (
        heat(MOSFET | {"max_junction_degC": 60}), ["devices.max_junction_degC = 60: must be above the coolant's 65 (degC)"],
    ),
    "derating at the limit": (
        heat(derate_from_degC=175),
        ["derate_from_degC = 175: must be below devices.max_junction_degC = 175"],
    ),
    "derating below coolant": (heat(derate_from_degC=40), ["derate_from_degC", "is not above the coolant's 65 (degC)"]),
    "long steps": (
        heat(ticks_per_step=30),
        [f"{JUNCTIONS}.ticks_per_step = 30: makes steps of 0.0015 s, 1.5 times the shortest time constant of the switch's",
         "Set ticks_per_step = 20 or less"],
    ),
    # 1 mJ/K over 1/0.01 W/K out of it and 6/0.0767 W/K from the switches' last stages (0.0232907 and 0.0767093 K/W by hand).
    "light sink": (
        heat(sink={"cauer": [[1e-3, 0.01], [100, 0.02]]}),
        ["ticks_per_step", "8.911 times the shortest time constant of the sink's network, 5.611e-06 (s)"],
    ),
    # 0.1 J/K over 50 + 5 + 50 W/K.
    "light iron": (
        machine(iron_J_per_K=0.1, ticks_per_step=100),
        ["5.25 times the shortest time constant of the machine's nodes, 0.0009524 (s)"],
    ),
    "start a slip": (heat(initial="stedy"), ["initial", 'must be "coolant", "steady" or', 'Did you mean "steady"?']),
    "start too hot": (heat(initial=500), ["initial = 500: must be from -60 to 400 (degC)"]),
    "flow of no sink": (
        heat(sink_flow={"flow_l_per_min": 5, "reference_flow_l_per_min": 10}), ["sink_flow: changes a sink that is not given"],
    ),
    "no flow": (
        heat(sink=NETWORK, sink_flow={"flow_l_per_min": 0, "reference_flow_l_per_min": 10}),
        ["sink_flow.flow_l_per_min = 0: must be above 0 (l_per_min)"],
    ),
    "both forms": (network(foster=[[0.1, 1]], cauer=[[1, 1]]), ["switch: gives foster and cauer as well"]),
    "neither form": (network(), ["switch: gives neither foster nor cauer"]),
    "negative resistance": (network(foster=[[-0.1, 1]]), ["stage 0: K/W -0.1 must be above 0"]),
    "time constant of 0": (network(foster=[[0.1, 1], [0.1, 0]]), ["stage 1: s 0.0 must be above 0"]),
    "no heat capacity": (network(cauer=[[0, 1]]), ["stage 0: J/K 0.0 must be above 0"]),
    "equal time constants": (
        network(foster=[[0.1, 1], [0.2, 0.5], [0.1, 1.0001]]),
        ["two stages have the time constant 1.0 (s)", "Add their resistances in one stage"],
    ),
    "seven stages": (network(foster=[[0.1, 0.1 * 2**k] for k in range(7)]), ["has 7 stages, more than 6"]),
    "network a number": (network(foster=0.1), ["switch.foster = 0.1: must be a list of [K/W, s] pairs"]),
    "form a slip": (network(fostr=[[0.1, 1]]), ["switch.fostr", 'Did you mean "foster"?']),
    "winding limit below coolant": (
        machine(max_winding_degC=50),
        ["machine.heat.max_winding_degC = 50: must be above the coolant's"],
    ),
    "magnets derate late": (
        machine(derate_from_magnet_degC=150),
        ["derate_from_magnet_degC = 150: must be below max_magnet_degC"],
    ),
    "no capacity": (machine(winding_J_per_K=0), ["winding_J_per_K = 0: must be above 0 (J_per_K)"]),
    "resistance missing": (
        {"machine__heat": {k: v for k, v in MACHINE.items() if k != "magnet_to_iron_K_per_W"}},
        ["machine.heat.magnet_to_iron_K_per_W: is missing"],
    ),
    "machine's long steps": (
        machine(ticks_per_step=900_000),
        ["makes steps of 45 s, 1.125 times the shortest time constant of the machine's nodes, 40 (s)"],
    ),
    "share beyond one": (machine(magnet_share=1.5), ["machine.heat.magnet_share = 1.5: must be at most 1"]),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_one_sentence_names_file_key_rule_and_remedy(name, tmp_path):
    changes, words = BAD[name]
    problems = problems_of(write(tmp_path, spoiled(**changes)))
    hits = [p for p in problems if all(word in p for word in words)]
    assert len(hits) == 1, "\n".join(problems)
    assert "bench.toml" in hits[0]


def test_a_leg_has_its_own_keys_over_those_of_all(tmp_path):
    own = {"diode": {"slope_ohm": 3e-3}, "gate_settings": {"calm": {"energy_on_J": [[0, 0], [100, 10e-3]]}}}
    changes = legs({}, own, {"on_resistance_ohm": [[25, 2e-3], [125, 4e-3]]}, diode={"threshold_V": 2.0})
    inverter = load_scenario(write(tmp_path, spoiled(**changes))).inverter
    first, second, third = (inverter.leg_devices(leg) for leg in range(3))
    assert (first.diode.threshold_V.at(25), first.diode.slope_ohm.at(25)) == (2.0, 0.0)
    assert (second.diode.threshold_V.at(25), second.diode.slope_ohm.at(25)) == (2.0, 3e-3)
    assert second.on_resistance_ohm.at(75) == 1e-3 and third.on_resistance_ohm.at(75) == pytest.approx(3e-3)
    calm = [inverter.leg_gate_settings(leg)["calm"] for leg in range(3)]
    assert [one.energy_on_J[-1][1] for one in calm] == [1e-3, 10e-3, 1e-3]
    assert {one.reference_voltage_V for one in calm} == {600}
    assert list(inverter.leg_gate_settings(1)) == ["brisk", "calm"]


def test_what_is_left_out_follows_from_the_rest(tmp_path):
    inverter = load_scenario(write(tmp_path, spoiled(**heat(), inverter__gate_settings=GATES))).inverter
    assert inverter.gate_setting == "brisk" and inverter.derate_from_degC == 160.0 and inverter.heat.sink_at_flow == ()
    assert inverter.gate_settings["calm"].diode_voltage_exponent == inverter.gate_settings["calm"].voltage_exponent
    assert inverter.leg_devices(2) is inverter.devices
    believed = load_scenario(write(tmp_path, spoiled(**machine(max_magnet_degC=120)))).machine.heat
    assert (believed.derate_from_winding_degC, believed.derate_from_magnet_degC) == (165.0, 105.0)
    assert load_scenario(write(tmp_path, spoiled())).inverter.gate_setting is None


def test_the_last_stage_of_the_sink_follows_the_flow(tmp_path):
    # Half the flow of the reference at power 0.8: 2^0.8 = 1.741101 times the resistance.
    flow = {"flow_l_per_min": 5, "reference_flow_l_per_min": 10}
    changes = heat(sink={"cauer": [[20, 0.01], [100, 0.02]]}, sink_flow=flow)
    cooled = load_scenario(write(tmp_path, spoiled(**changes))).inverter.heat
    assert cooled.sink_at_flow == ((20.0, 0.01), (100.0, pytest.approx(0.0348220225)))


def test_slopes_are_one_number_or_points(tmp_path):
    changes = setting(di_dt_A_per_s=4e9, dv_dt_V_per_s=[[0, 5e9], [100, 8e9]])
    brisk = load_scenario(write(tmp_path, spoiled(**changes))).inverter.gate_settings["brisk"]
    assert brisk.di_dt_A_per_s == ((0.0, 4e9),) and brisk.dv_dt_V_per_s == ((0.0, 5e9), (100.0, 8e9))


def test_a_setting_without_energies_is_told_and_used(tmp_path):
    changes = {"inverter__gate_settings": GATES | {"clam": {"gate_on_ohm": 2.0}}}
    (finding,) = load_scenario(write(tmp_path, spoiled(**changes))).findings
    assert "inverter.gate_settings.clam: has no energies, so that switching costs nothing with it" in finding


def test_a_junction_rule_without_heat_is_told_and_used(tmp_path):
    scenario = load_scenario(write(tmp_path, spoiled(**plan({"use": "brisk", "above_junction_degC": 90}))))
    (finding,) = scenario.findings
    assert "gate_plan.rules.0.above_junction_degC = 90" in finding and "the junctions stay at 25 degC" in finding
    assert scenario.inverter.gate_plan.rules[0].use == "brisk"
