"""Two variants beside each other: in one run and over torque and speed, against the settings' own arithmetic."""

import csv
import json

import numpy as np
import pytest
from click.testing import CliRunner
from shared_benches import BASE, merge

from simcore.cli import main
from simcore.scenario.reader import scenario_from
from simcore.scenario.toml_text import write_toml
from simcore.study.compare.by_map import compare_by_map
from simcore.study.compare.by_run import compare_by_run

DEVICES = {"kind": "mosfet", "on_resistance_ohm": 3e-3, "stray_inductance_H": 12e-9, "rated_voltage_V": 450.0}
SETTINGS = {
    "calm": {"reference_voltage_V": 400.0, "energy_on_J": [[0, 0.0], [400, 16e-3]], "di_dt_A_per_s": 2e9, "dv_dt_V_per_s": 8e9},
    "keen": {"reference_voltage_V": 400.0, "energy_on_J": [[0, 0.0], [400, 8e-3]], "di_dt_A_per_s": [[0, 0.0], [400, 8e9]],
             "dv_dt_V_per_s": 20e9},
}  # fmt: skip


def variant(setting):
    document = merge(BASE, {
        "inverter": {"devices": DEVICES, "gate_settings": SETTINGS, "gate_setting": setting},
        "commands": {"iq_A": 250.0}, "initial": {"iq_A": 250.0}, "run": {"duration_s": 0.03},
        "expect": [{"signal": "torque_Nm", "measure": "mean", "min": 0.0}],
    })  # fmt: skip
    return scenario_from(document, path="pair.toml")


def test_in_one_run_the_switching_loss_halves_and_the_overshoot_grows():
    found = compare_by_run(variant("calm"), variant("keen"), ("calm", "keen"))
    loss = found.row("loss switching")
    assert loss.second == pytest.approx(0.5 * loss.first, rel=2e-3)
    assert found.row("turn off peak").first == pytest.approx(400.0 + 12e-9 * 2e9, abs=1e-6)
    assert found.row("turn off peak").second == pytest.approx(400.0 + 12e-9 * 8e9 * 250.0 / 400.0, abs=3.0)
    assert found.row("mean of torque_Nm").less == pytest.approx(0.0, abs=1e-6)
    assert any(sentence.startswith("keen: The turn-off overshoot reached") for sentence in found.told)


@pytest.fixture(scope="module")
def over_the_map():
    pair = (variant("calm"), variant("keen"))
    return compare_by_map(*pair, ("calm", "keen"), speed_rpm="1000:2000:2", torque_Nm="50:200:2")


def test_over_the_map_every_point_gains_what_the_lost_power_was(over_the_map):
    """Efficiency of the drive: shaft over link, so that dP = P_link x (1 - eta_1/eta_2) at equal shaft power."""
    one, other = over_the_map.parts
    saved = one["loss_switching_W"] - other["loss_switching_W"]
    assert np.all(saved > 0.0)
    links = one["power_link_W"] - other["power_link_W"]
    assert links == pytest.approx(saved, rel=0.02)
    assert np.all(over_the_map.difference("efficiency_drive") > 0.0)


def test_it_says_where_the_keen_setting_must_not_be_used(over_the_map):
    """450 V are reached at 208 A turned off: inside 200 Nm, outside 50 Nm."""
    told = next(sentence for sentence in over_the_map.told if "must not be used" in sentence)
    assert told.startswith("keen must not be used from some 200 Nm on") and "2 of 4 points" in told
    assert any("100 % of the points" in sentence for sentence in over_the_map.told)


def test_the_command(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "drive.toml").write_text(write_toml(variant("calm").resolved))
    call = ["compare", "drive.toml", "--with", "inverter.gate_setting=keen", "--out", "out"]
    result = CliRunner().invoke(main, [*call, "--by", "run"])
    assert result.exit_code == 0, result.output
    assert "keen against as given, by run" in result.output
    told = json.loads((tmp_path / "out/drive/compare.json").read_text())
    assert told["second"] == "keen" and told["by"] == "run"
    for both, name in (("run.record_every=2", "as given"), ("inverter.gate_setting=calm", "calm")):
        result = CliRunner().invoke(main, [*call, "--by", "run", "--set", both, "--no-plot"])
        assert f"keen against {name}, by run" in result.output, "named after what differs, not after what both share"
    result = CliRunner().invoke(main, [*call, "--by", "map", "--speed-rpm", "1000:2000:2", "--torque-Nm", "50:200:2"])
    assert result.exit_code == 0, result.output
    with open(tmp_path / "out/drive/compare.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 4 and float(rows[3]["peak_voltage_V_second"]) > 450.0
    assert (tmp_path / "out/drive/compare.png").exists() and not list((tmp_path / "out/drive").glob("*partial*"))


def test_wrong_input(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "drive.toml").write_text(write_toml(variant("calm").resolved))
    for arguments, sentence in (
        ([], "--with: names what the second variant changes"),
        (["--with", "inverter.gate_setting=keener"], 'Did you mean "keen"?'),
        (["--with", "inverter.gate_setting=keen", "--by", "cycle"], "a cycle is driven by a vehicle"),
    ):
        result = CliRunner().invoke(main, ["compare", "drive.toml", *arguments, "--out", "out"])
        assert result.exit_code == 2 and sentence in result.output, result.output
    assert not (tmp_path / "out").exists()
