"""[tolerance]: forms, entries of lists, what leaves the physical range; and a scenario at other values of its keys."""

import copy
from statistics import NormalDist

import numpy as np
import pytest
from scipy.stats import truncnorm

from simcore.scenario import ScenarioError
from simcore.scenario.reader import scenario_from
from simcore.scenario.variation import Variation, placed, value_of


def tolerances(make_scenario, table, **tables):
    return make_scenario(tolerance=table, **tables).tolerances


def refused(make_scenario, table, **tables):
    with pytest.raises(ScenarioError) as error:
        tolerances(make_scenario, table, **tables)
    return error.value.problems


def one(make_scenario, form):
    (found,) = tolerances(make_scenario, {"machine": {"magnet_flux_Wb": form}})
    return found.distribution


SHARES = (0.001, 0.1, 0.5, 0.8413447, 0.999)


def test_a_normal_distribution_has_its_quantiles(make_scenario):
    # Standard normal table: 84.13447 % lie below one sigma.
    by_percent, by_sigma = one(make_scenario, {"normal_percent": 2}), one(make_scenario, {"normal": 0.0014})
    for share in SHARES:
        expected = NormalDist(0.07, 0.0014).inv_cdf(share)
        assert by_percent.at(share) == pytest.approx(expected, rel=2e-5)
        assert by_sigma.at(share) == pytest.approx(by_percent.at(share), rel=1e-12)
    assert by_percent.at(0.8413447) == pytest.approx(0.0714, rel=1e-6)
    assert by_percent.at(0.0) == pytest.approx(0.07 - 4.7534 * 0.0014, rel=1e-5)


def test_a_cut_normal_distribution_has_the_quantiles_of_a_truncated_one(make_scenario):
    found = one(make_scenario, {"normal": 0.002, "within": [0.069, 0.074]})
    expected = truncnorm(-0.5, 2.0, loc=0.07, scale=0.002)
    for share in SHARES:
        assert found.at(share) == pytest.approx(expected.ppf(share), rel=1e-9)
    assert found.at(0.0) == pytest.approx(0.069) and found.at(1.0) == pytest.approx(0.074)


def test_uniform_distributions_and_lists(make_scenario):
    uniform, percent = one(make_scenario, {"uniform": [0.06, 0.08]}), one(make_scenario, {"uniform_percent": 10})
    assert [uniform.at(share) for share in (0.0, 0.25, 1.0)] == pytest.approx([0.06, 0.065, 0.08])
    assert [percent.at(share) for share in (0.0, 0.25, 1.0)] == pytest.approx([0.063, 0.0665, 0.077])
    listed = one(make_scenario, {"list": [0.07, 0.06, 0.08]})
    assert [listed.at(share) for share in (0.0, 0.32, 0.34, 0.67, 0.999999, 1.0)] == [0.07, 0.07, 0.06, 0.08, 0.08, 0.08]


def test_percent_of_a_negative_value(make_scenario):
    table = {"sensors": {"link_voltage": {"offset_V": {"uniform_percent": 10}}}}
    (found,) = tolerances(make_scenario, table, sensors={"link_voltage": {"offset_V": -2.0}})
    assert found.distribution.ends == (-2.2, -1.8)


def test_entries_of_lists_and_keys_at_their_defaults(make_scenario):
    found = tolerances(
        make_scenario,
        {
            "sensors": {"current": {"offset_A": {"0": {"normal": 0.5}, "2": {"uniform": [0.0, 1.0]}}}},
            "commands": {"iq_A": {"1": {"1": {"uniform_percent": 5}}}},
            "run": {"substeps": {"list": [2, 3]}},
        },
        commands={"iq_A": [[0.0, 0.0], [0.01, 20.0]]},
    )
    assert [one.key for one in found] == [
        "sensors.current.offset_A.0", "sensors.current.offset_A.2", "commands.iq_A.1.1", "run.substeps",
    ]  # fmt: skip
    assert [one.distribution.nominal for one in found] == [0.0, 0.0, 20.0, 2.0]


BAD = {
    "misspelt key": ({"machine": {"magnet_flx_Wb": {"normal": 1e-3}}}, ["magnet_flx_Wb", 'Did you mean "magnet_flux_Wb"?']),
    "misspelt table": ({"machin": {"magnet_flux_Wb": {"normal": 1e-3}}}, ["tolerance.machin", "unknown"]),
    "misspelt form": ({"machine": {"magnet_flux_Wb": {"norml": 1e-3}}}, ["norml", 'Did you mean "normal"']),
    "no form": ({"machine": {"magnet_flux_Wb": {"within": [0.0, 1.0]}}}, ["holds no distribution", "{ normal_percent = 2 }"]),
    "two forms": ({"machine": {"magnet_flux_Wb": {"normal": 1e-3, "list": [0.07]}}}, ["holds normal and list"]),
    "a number": ({"machine": {"magnet_flux_Wb": 0.08}}, ["must be a distribution"]),
    "negative sigma": ({"machine": {"magnet_flux_Wb": {"normal": -1.0}}}, ["normal = -1.0", "must be above 0"]),
    "text": ({"machine": {"magnet_flux_Wb": {"normal_percent": "2"}}}, ["must be a number, not text"]),
    "falling": ({"machine": {"magnet_flux_Wb": {"uniform": [0.08, 0.06]}}}, ["must rise", "Exchange"]),
    "within of uniform": (
        {"machine": {"magnet_flux_Wb": {"uniform": [0.06, 0.08], "within": [0.0, 1.0]}}}, ["belongs to a normal distribution"],
    ),
    "within far away": ({"machine": {"magnet_flux_Wb": {"normal": 1e-3, "within": [0.5, 1.0]}}}, ["lies beyond 4.75 sigma"]),
    "percent of zero": ({"load": {"speed_rpm": {"normal_percent": 2}}}, ["nominal value of 0", "normal = ..."]),
    "a list": ({"sensors": {"current": {"gain": {"normal": 0.01}}}}, ["is a list of 3", "gain.0"]),
    "beyond the list": ({"sensors": {"current": {"gain": {"3": {"normal": 0.01}}}}}, ["the list has 3 entries"]),
    "a word": ({"load": {"kind": {"normal": 1.0}}}, ["is no number"]),
    "not given": ({"controller": {"tuning": {"speed_bandwidth_Hz": {"normal": 1.0}}}}, ["does not give this key"]),
    "whole numbers": ({"run": {"substeps": {"uniform": [1.0, 3.0]}}}, ["whole numbers", "list = [...]"]),
    "another kind": ({"load": {"inertia_kg_m2": {"normal": 1.0}}}, ['belongs to kind', '"free"']),
    "a dot in a name": ({"controller": {"tuning": {"a.b": {"normal": 1.0}}}}, ["holds a dot"]),
    "below the range": (
        {"machine": {"magnet_flux_Wb": {"uniform": [-0.01, 0.08]}}}, ["reaches -0.01", "must be at least 0 (Wb)", "Narrow it"],
    ),
    "normal below the range": ({"machine": {"magnet_flux_Wb": {"normal_percent": 30}}}, ["reaches -0.0298", "within ="]),
    "list beyond the range": ({"machine": {"pole_pairs": {"list": [4, 300]}}}, ["holds 300", "must be at most 200"]),
    "against another key": ({"inverter": {"dead_time_s": {"uniform": [0.0, 6e-5]}}}, ["half the carrier period"]),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_one_sentence_names_key_rule_and_remedy(make_scenario, name):
    table, words = BAD[name]
    tables = {"load": {"speed_rpm": 0.0}} if name == "percent of zero" else {}
    (problem,) = refused(make_scenario, table, **tables)
    assert problem.startswith("test.toml: tolerance.") and all(word in problem for word in words), problem


def test_all_problems_are_told_at_once(make_scenario):
    machine = {"magnet_flux_Wb": {"normal_percent": 30}, "pole_pears": {"list": [4]}}
    table = {"machine": machine, "run": {"seed": {"normal": 1.0}}}
    assert len(refused(make_scenario, table)) == 3


def test_a_distribution_that_just_touches_the_range_is_taken(make_scenario):
    assert one(make_scenario, {"uniform": [0.0, 0.08]}).low == 0.0


def test_the_resolved_text_of_a_scenario_keeps_its_tolerances(make_scenario):
    scenario = make_scenario(tolerance={"machine": {"magnet_flux_Wb": {"normal_percent": 2}}})
    assert scenario_from(scenario.resolved).tolerances == scenario.tolerances != ()


# A scenario at other values of its keys.


def test_placing_a_value_leaves_the_document_as_it_was(make_scenario):
    document = {"a": {"b": [1, {"c": 2}]}, "d": {"e": 3}}
    kept = copy.deepcopy(document)
    changed = placed(document, ("a", "b", "1", "c"), 5)
    assert document == kept and changed == {"a": {"b": [1, {"c": 5}]}, "d": {"e": 3}}
    assert changed["d"] is document["d"]


def test_a_variation_equals_the_same_overrides(make_scenario):
    scenario = make_scenario(sensors={"current": {"offset_A": [1.0, 2.0, 3.0]}})
    keys = {"machine.magnet_flux_Wb": 0.08, "sensors.current.offset_A.1": -1.0, "run.substeps": 3}
    varied = Variation(scenario, keys).at(keys.values())
    overridden = scenario_from(scenario.resolved, "test.toml", [f"{key}={value}" for key, value in keys.items()])
    assert varied == overridden and varied != scenario


def test_one_entry_of_a_list_that_stands_at_its_default(make_scenario):
    varied = Variation(make_scenario(), ["sensors.current.gain.2"]).at([1.01])
    assert varied.sensors.current.gain == (1.0, 1.0, 1.01)


def test_the_controller_believes_the_nominal_drive_where_asked(make_scenario):
    scenario = make_scenario(
        load={"replace": True, "kind": "free", "inertia_kg_m2": 0.05}, controller={"machine": {"stator_resistance_ohm": 0.012}}
    )
    keys = ["machine.magnet_flux_Wb", "machine.stator_resistance_ohm", "load.inertia_kg_m2", "inverter.dead_time_s"]
    values = [0.08, 0.02, 0.06, 1e-6]
    told = Variation(scenario, keys, believe_nominal=True).at(values)
    assert (told.machine.magnet_flux_Wb, told.controller_machine.magnet_flux_Wb) == (0.08, 0.07)
    # A belief of its own stays.
    assert (told.machine.stator_resistance_ohm, told.controller_machine.stator_resistance_ohm) == (0.02, 0.012)
    assert (told.load.inertia_kg_m2, told.controller_load.inertia_kg_m2) == (0.06, 0.05)
    assert (told.inverter.dead_time_s, told.controller_inverter.dead_time_s) == (1e-6, 0.0)
    following = Variation(scenario, keys).at(values)
    assert following.controller_machine.magnet_flux_Wb == 0.08 and following.controller_inverter.dead_time_s == 1e-6


def test_values_by_location(make_scenario):
    scenario = make_scenario(controller={"machine": {"magnet_flux_Wb": 0.08}})
    assert value_of(scenario, ("machine", "magnet_flux_Wb")) == 0.07
    assert value_of(scenario, ("controller", "machine", "magnet_flux_Wb")) == 0.08
    assert value_of(scenario, ("controller", "machine", "pole_pairs")) == 4
    assert value_of(scenario, ("sensors", "current", "gain", "0")) == 1.0
    assert np.isscalar(value_of(scenario, ("inverter", "dead_time_s")))
