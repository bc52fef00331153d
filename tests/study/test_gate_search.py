"""The gate plan of least loss: boundaries by hand from the settings' tables, the plan in the running drive, wrong input."""

import json
import math
import tomllib

import pytest
from shared_benches import BASE, merge

from simcore import Bench
from simcore.cli import main
from simcore.scenario import ScenarioError
from simcore.scenario.reader import scenario_from
from simcore.study.cycle.gates import with_gate
from simcore.study.gate_search.proof import with_plan
from simcore.study.gate_search.search import along, search_plan
from simcore.study.gate_search.tables import plan_text

DEVICES = {"kind": "mosfet", "on_resistance_ohm": 3e-3, "stray_inductance_H": 20e-9, "rated_voltage_V": 600.0}
SETTINGS = {
    "quick": {"reference_voltage_V": 400.0, "energy_on_J": [[0, 0.0], [400, 8e-3]], "di_dt_A_per_s": [[0, 0.0], [400, 8e9]],
              "dv_dt_V_per_s": [[0, 10e9], [400, 30e9]]},
    "slow": {"reference_voltage_V": 400.0, "energy_on_J": [[0, 0.0], [400, 16e-3]], "di_dt_A_per_s": 3e9, "dv_dt_V_per_s": 8e9},
}  # fmt: skip


def bench(change=()):
    document = merge(BASE, {"inverter": {"devices": DEVICES, "gate_settings": SETTINGS}})
    return scenario_from(merge(document, dict(change)), path="plan.toml")


def test_the_overshoot_ends_the_quick_setting_where_arithmetic_says():
    """400 V + 20 nH x 8e9/400 x (A + 20 A) = 500 V at A = 230 A: 100 V in hand below 600 V, 20 A of ripple (5 % of 400 A)."""
    found = search_plan(bench(), margin_V=100.0)
    assert [(one.use, one.ends_by) for one in found.stretches] == [("quick", "overshoot"), ("slow", "")]
    assert found.stretches[0].to_A == pytest.approx(230.0, abs=1.0) and found.stretches[0].to_A <= 230.0
    assert found.rules == ({"use": "slow", "above_current_A": found.stretches[0].to_A, "hysteresis_A": 8.0},)
    assert found.default == "quick"


def test_the_slope_may_end_it_earlier():
    """10 + 20 x I/400 V/ns = 15 V/ns at 100 A, less the ripple."""
    found = search_plan(bench(), margin_V=100.0, most_dv_dt_V_per_s=15e9)
    assert found.stretches[0].ends_by == "dv/dt"
    assert found.stretches[0].to_A == pytest.approx(80.0, abs=1.0)


def test_a_setting_that_loses_less_at_small_currents_is_taken_there():
    """E = 1 mJ + 4e-5 I against 8e-5 I: averaged over half a sine equal where 4e-5 x 2 A/pi = 1 mJ, A = 39.27 A."""
    settings = {"flat": {"energy_on_J": [[0, 1e-3], [400, 17e-3]], "reference_voltage_V": 400.0},
                "steep": {"energy_on_J": [[0, 0.0], [400, 32e-3]], "reference_voltage_V": 400.0}}  # fmt: skip
    document = merge(BASE, {"inverter": {"devices": DEVICES}})
    document["inverter"]["gate_settings"] = settings
    found = search_plan(scenario_from(document, path="cross.toml"))
    assert [(one.use, one.ends_by) for one in found.stretches] == [("steep", "loss"), ("flat", "")]
    assert found.stretches[0].to_A == pytest.approx(1e-3 * math.pi / (2.0 * 4e-5), abs=1.0)


def test_where_no_setting_keeps_the_limits_it_says_so():
    steep = {"slow": {"di_dt_A_per_s": [[0, 0.0], [400, 6e9]]}}
    found = search_plan(bench({"inverter": {"gate_settings": steep}}), margin_V=100.0)
    assert found.stretches[-1].use is None and found.stretches[-2].ends_by == "overshoot"
    # 400 V + 20 nH x 6e9/400 x (A + 20 A) = 500 V.
    assert found.stretches[-1].from_A == pytest.approx(100.0 / (20e-9 * 6e9 / 400.0) - 20.0, abs=1.0)


def test_tables_go_on_past_their_end():
    assert list(along([[0, 1.0], [10, 2.0]], [5.0, 20.0])) == pytest.approx([1.5, 3.0])


def test_the_plan_in_the_running_drive_keeps_the_limit():
    """Below the boundary the quick setting's loss, above it the slow one's peak; never above the limit."""
    scenario = bench({"commands": {"iq_A": [[0.0, 150.0], [0.03, 300.0]]}, "run": {"duration_s": 0.06}})
    found = search_plan(scenario, margin_V=100.0)
    planned = Bench(with_plan(found)).run()
    quick = Bench(with_gate(scenario, "quick")).run()
    early, late = planned.slice(0.01, 0.03), planned.slice(0.045, 0.06)
    assert early["loss_switching_W"] == pytest.approx(quick.slice(0.01, 0.03)["loss_switching_W"], rel=1e-9)
    assert set(early["gate_setting"]) == {0.0} and set(late["gate_setting"]) == {1.0}
    assert max(planned["peak_voltage_V"]) <= 500.0 < max(quick["peak_voltage_V"])
    assert "gate_plan" in tomllib.loads(plan_text(found))["inverter"]


@pytest.mark.parametrize(
    "change, limits, sentence",
    [
        ({"devices": {"rated_voltage_V": 0.0}}, {}, "the overshoot needs rated_voltage_V"),
        ({}, {"margin_V": 250.0}, "the link alone (400 V) leaves no room below 350 V"),
        ({}, {"most_dv_dt_V_per_s": 1e9}, "no setting keeps"),
    ],
)
def test_limits_that_cannot_be_kept(change, limits, sentence):
    with pytest.raises(ScenarioError, match="plan.toml: inverter") as raised:
        search_plan(bench({"inverter": change}), **limits)
    assert sentence in str(raised.value)


def test_one_setting_is_no_plan():
    document = merge(BASE, {"inverter": {"devices": DEVICES}})
    document["inverter"]["gate_settings"] = {"quick": SETTINGS["quick"]}
    with pytest.raises(ScenarioError, match="a plan needs two or more, here are 1"):
        search_plan(scenario_from(document, path="one.toml"))


def test_the_command_writes_a_plan_that_the_reader_takes(tmp_path, monkeypatch, capsys):
    from click.testing import CliRunner

    from simcore.scenario.toml_text import write_toml

    monkeypatch.chdir(tmp_path)
    (tmp_path / "drive.toml").write_text(write_toml(bench().resolved))
    result = CliRunner().invoke(main, ["gateplan", "drive.toml", "--margin-V", "100", "--out", "out"])
    assert result.exit_code == 0, result.output
    folder = tmp_path / "out" / "drive"
    told = json.loads((folder / "gate_plan.json").read_text())
    assert told["stretches"][0]["use"] == "quick" and told["cycle"] == []
    assert (folder / "gate_plan.png").exists()
    plan = tomllib.loads((folder / "gate_plan.toml").read_text())["inverter"]["gate_plan"]
    taken = scenario_from(merge(bench().resolved, {"inverter": {"gate_plan": plan}}), path="x.toml")
    assert taken.inverter.gate_plan.default == "quick"
