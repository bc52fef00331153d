"""Regions of a gate plan over link voltage and junction, by hand from the settings' tables; the plan over a cycle."""

import itertools
import math

import numpy as np
import pytest
from cycle_cars import car
from shared_benches import BASE, merge

from simcore import Bench
from simcore.scenario import ScenarioError
from simcore.scenario.reader import scenario_from
from simcore.study.cycle.gates import with_gate
from simcore.study.cycle.schedule import Cycle
from simcore.study.cycle.trips import drive_cycle
from simcore.study.gate_search.command import _stretch
from simcore.study.gate_search.proof import Driven, InTheLoop, Proof, prove, with_plan
from simcore.study.gate_search.rules import choose
from simcore.study.gate_search.search import search_plan
from simcore.study.gate_search.tables import as_document
from simcore.study.gate_search.verdict import broken, sentences

DEVICES = {"kind": "mosfet", "on_resistance_ohm": 0.1e-3, "stray_inductance_H": 20e-9, "rated_voltage_V": 600.0,
           "max_junction_degC": 165.0, "diode": {"threshold_V": 0.0}}  # fmt: skip
QUICK = {"reference_voltage_V": 400.0, "energy_on_J": [[0, 0.0], [400, 8e-3]], "energy_recovery_J": [[0, 0.0], [400, 6e-3]],
         "di_dt_A_per_s": [[0, 0.0], [400, 8e9]]}  # fmt: skip
SLOW = {"reference_voltage_V": 400.0, "energy_on_J": [[0, 0.0], [400, 18e-3]], "energy_recovery_J": [[0, 0.0], [400, 2e-3]],
        "di_dt_A_per_s": [[0, 0.0], [400, 3e9]]}  # fmt: skip
BATTERY = {"kind": "battery", "open_circuit_voltage_V": [[0.0, 300.0], [1.0, 400.0]], "resistance_ohm": 0.05,
           "capacity_Ah": 100.0, "state_of_charge": 0.5}  # fmt: skip
HEAT = {"coolant_degC": 60.0, "switch": {"foster": [[0.1, 0.002]]}, "diode": {"foster": [[0.6, 0.002]]}}


def bench(inverter=(), **more):
    base = {"inverter": {"link_capacitance_F": 1e-3, "devices": DEVICES, "gate_settings": {"quick": QUICK, "slow": SLOW}}}
    supply = more.pop("supply", BASE["supply"])
    document = merge(merge(merge(BASE, base), {"inverter": dict(inverter)}), more)
    return scenario_from(document | {"supply": supply}, path="regions.toml")


def test_a_lower_link_leaves_more_current_to_the_quick_setting():
    """V + 20 nH x 8e9/400 x (A + 20 A) = 500 V: A = (500 V - V)/0.4 ohm - 20 A for the upper end of each band of the link."""
    found = search_plan(bench(supply=BATTERY), margin_V=100.0)
    assert [region.to_V for region in found.regions] == pytest.approx([400.0, 375.0, 350.0, 325.0])
    for region in found.regions:
        quick = region.stretches[0]
        assert quick.use == "quick"
        assert quick.to_A == pytest.approx(min((500.0 - region.to_V) / 0.4 - 20.0, 400.0), abs=1.01)
    # Where the quick one may be used over all currents no rule is needed.
    assert [rule["use"] for rule in found.rules] == ["slow", "slow", "slow"] and found.default == "quick"
    assert [rule.get("above_link_V") for rule in found.rules] == [375.0, 350.0, 325.0]


def test_the_rules_choose_what_the_regions_say_everywhere():
    found = search_plan(bench({"heat": HEAT}, supply=BATTERY), margin_V=100.0, most_junction_degC=120.0)
    every = [(region, one) for region in found.regions for one in region.stretches]
    for region, one in every:
        link, junction = region.to_V - 1.0, 119.0 if region.above_degC is not None else 70.0
        for share in (0.02, 0.5, 0.98):
            amplitude = one.from_A + share * (one.to_A - one.from_A)
            assert choose(found.rules, found.default, amplitude, link, junction) == (one.use or one.calmest)
    assert len(found.rules) <= 8


def test_near_the_junction_limit_the_cooler_setting_is_taken_though_it_loses_more():
    """The quick one's recovery heats the diodes' own chips: fs E I/pi = 10 kHz x 6 mJ x A/400 A/pi x 0.6 K/W above 60 degC."""
    found = search_plan(bench({"heat": HEAT}), margin_V=-2000.0 + 600.0, most_junction_degC=80.0)
    at_400 = 60.0 + 0.6 * 10e3 * 6e-3 / math.pi
    assert found.steady_degC["quick"][-1] == pytest.approx(at_400, abs=0.05)
    # The switch is the hottest with "slow": 18 mJ at turn-on, and 3 R I^2/2 of the bridge shared by six channels.
    slow = 60.0 + 0.1 * (10e3 * 18e-3 / math.pi + 0.1e-3 * 400.0**2 / 4.0)
    assert found.steady_degC["slow"][-1] == pytest.approx(slow, abs=0.1)
    hot, cool = found.regions
    assert hot.above_degC == 70.0 and [one.use for one in cool.stretches] == ["quick"]
    assert hot.stretches[-1].use == "slow"
    assert found.rules[0]["use"] == "slow" and found.rules[0]["above_junction_degC"] == 70.0
    assert cool.stretches[0].junction_A is None
    assert search_plan(bench({"heat": HEAT}), margin_V=-1400.0, most_junction_degC=68.0).stretches[0].junction_A is not None


def test_in_the_running_drive_the_hot_plan_stays_cooler_than_its_default():
    scenario = bench({"heat": HEAT, "model": "averaged"}, commands={"iq_A": 380.0}, run={"duration_s": 0.1})
    found = search_plan(scenario, margin_V=-1400.0, most_junction_degC=70.5)
    hottest = {}
    for name, one in (("plan", with_plan(found)), ("quick", with_gate(scenario, "quick"))):
        hottest[name] = max(Bench(one).run()["junction_degC"])
    assert hottest["plan"] < hottest["quick"] - 1.0


def test_what_each_setting_reaches_alone():
    found = search_plan(bench({"heat": HEAT}), margin_V=100.0, most_junction_degC=68.0)
    overshoot, slope, junction = found.reached_at("quick")
    assert overshoot == pytest.approx(230.0, abs=1.1) and slope is None
    # 8 K = 0.6 K/W x 10 kHz x 6 mJ x A/400 A/pi; between two of the nine amplitudes a straight line, as the law is.
    assert junction == pytest.approx(400.0 * 8.0 * math.pi / (0.6 * 60.0), abs=3.0)


@pytest.mark.parametrize(
    "change, sentence",
    [
        ({}, "a junction limit needs the junctions' thermal networks"),
        ({"heat": HEAT}, "a junction limit of 50 degC is not above the coolant's 60 (degC)"),
    ],
)
def test_a_junction_limit_that_cannot_be(change, sentence):
    with pytest.raises(ScenarioError) as raised:
        search_plan(bench(change), most_junction_degC=50.0)
    assert sentence in str(raised.value)


def test_many_settings_leave_room_for_fewer_bands():
    """Eight settings, each steeper and with less energy than the one before: seven boundaries in one band of the link."""
    steps = {f"s{k}": {"reference_voltage_V": 400.0, "energy_on_J": [[0, 0.0], [400, (10 - k) * 1e-3]],
                       "di_dt_A_per_s": [[0, 0.0], [400, (1.0 + k) * 4e9]]} for k in range(8)}  # fmt: skip
    document = merge(BASE, {"inverter": {"devices": DEVICES, "link_capacitance_F": 1e-3}})
    document["inverter"]["gate_settings"], document["supply"] = steps, BATTERY
    found = search_plan(scenario_from(document, path="many.toml"), margin_V=100.0)
    assert len(found.regions) == 1 and len(found.rules) == 7


HOP = Cycle("hop", np.array([0.0, 1.0, 4.0, 6.0, 9.0, 10.0]), np.array([0.0, 0.0, 40.0, 40.0, 0.0, 0.0]))


def energies(share):
    points = [[0.0, share * 1e-3], [100.0, share * 4e-3], [400.0, share * 16e-3]]
    return {"reference_voltage_V": 700.0, "energy_on_J": points, "energy_off_J": points, "energy_recovery_J": points,
            "di_dt_A_per_s": [[0.0, 0.0], [400.0, 3e9 if share == 1.0 else 20e9]], "dv_dt_V_per_s": 5e9 / share}  # fmt: skip


@pytest.fixture(scope="module")
def hop():
    gates = {"gate_settings": {"calm": energies(1.0), "brisk": energies(0.5)}, "gate_setting": "calm",
             "devices": {"rated_voltage_V": 1200.0, "stray_inductance_H": 10e-9}}  # fmt: skip
    found = search_plan(car(inverter=gates), margin_V=410.0)
    return found, prove(found, HOP, stretch=HOP)


def test_over_a_cycle_the_plan_lies_between_its_settings_and_the_loop_agrees(hop):
    found, proof = hop
    calm, brisk, plan = (one.switching_kWh for one in proof.variants)
    assert {one.use for one in found.stretches} == {"brisk", "calm"}
    assert 1.01 * brisk < plan < 0.99 * calm
    assert proof.loop.driven.switching_kWh == pytest.approx(plan, rel=0.03)
    assert proof.loop.driven.net_kWh == pytest.approx(proof.variants[-1].net_kWh, rel=0.01)
    assert proof.loop.peak_V <= found.most_V and not broken(found, proof)
    document = as_document(found, proof)
    assert document["loop"]["over"] == "hop" and [one["name"] for one in document["cycle"]] == ["calm", "brisk", "plan"]


def test_the_map_takes_the_plan_as_the_map_of_a_plan_written_by_hand(hop):
    """The losses of a plan from its settings' tables, beside a table whose runs had the plan itself."""
    found, proof = hop
    own = drive_cycle(with_plan(found), HOP, "map").main["losses_kWh"]["switching"]
    assert proof.variants[-1].switching_kWh == pytest.approx(own, rel=0.02)


def test_a_limit_that_is_passed_is_told(hop):
    found, _ = hop
    warm = Driven("plan", 1.0, 10.0, 0.1, 171.0, 1543.0)
    loop = InTheLoop("wltc", warm._replace(junction_degC=172.0), found.most_V + 3.0, 9e9)
    proof = Proof("wltc", (warm,), loop)
    limited = type(found)(**{**found.__dict__, "most_degC": 160.0})
    assert broken(limited, proof) == ["junction", "overshoot"]
    told = " ".join(sentences(limited, proof))
    assert "No plan keeps the junction limit over wltc" in told and "172.0 degC at 1543 s, 12.0 K above 160 degC" in told
    assert f"worst turn-off {found.most_V + 3.0:.0f} V beyond {found.most_V:.0f} V" in told


def test_a_part_of_a_cycle_begins_in_motion():
    part = HOP.between(2.5, 7.5)
    assert part.duration_s == 5.0 and part.begin_s == 2.5
    assert part.speed_kmh[0] == pytest.approx(20.0) and part.speed_kmh[-1] == pytest.approx(20.0)
    assert _stretch(HOP, "all") is HOP and _stretch(HOP, "none") is None
    assert _stretch(HOP, "2.5:7.5").duration_s == 5.0
    for text in ("7:2", "x", "0:99"):
        with pytest.raises(ScenarioError, match="--loop"):
            _stretch(HOP, text)


def test_regions_are_told_from_the_tightest_on():
    found = search_plan(bench({"heat": HEAT}, supply=BATTERY), margin_V=100.0, most_junction_degC=80.0)
    for one, other in itertools.pairwise(found.regions):
        assert one.to_V > other.to_V or (one.above_degC is not None and other.above_degC is None)
