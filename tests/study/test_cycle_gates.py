"""One cycle with several gate settings and a gate plan."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from cycle_cars import CAR, car
from shared_benches import merge

from simcore import ScenarioError, drive_cycle
from simcore.cli import main
from simcore.scenario.toml_text import write_toml
from simcore.study.cycle.gates import chosen_gates, comparable, drive_gates, gate_names, with_gate
from simcore.study.cycle.schedule import Cycle


def setting(share):
    """Energies of an invented part, times a share."""
    points = [[0.0, 1e-3], [100.0, 4e-3], [400.0, 16e-3]]
    scaled = [[current, share * energy] for current, energy in points]
    return {
        "gate_on_ohm": 4.0 * share, "gate_off_ohm": 3.0 * share, "reference_voltage_V": 700.0,
        "reference_temperature_degC": 25.0, "energy_on_J": scaled, "energy_off_J": scaled, "energy_recovery_J": scaled,
        "di_dt_A_per_s": 3e9 / share, "dv_dt_V_per_s": 5e9 / share,
    }  # fmt: skip


GATES = {
    "gate_settings": {"calm": setting(1.0), "brisk": setting(0.5)}, "gate_setting": "calm",
    "devices": {"rated_voltage_V": 1200.0, "stray_inductance_H": 10e-9},
}  # fmt: skip
PLAN = {"default": "brisk", "rules": [{"above_current_A": 80.0, "use": "calm", "hysteresis_A": 5.0}]}
HOP = Cycle("hop", np.array([0.0, 1.0, 4.0, 6.0, 9.0, 10.0]), np.array([0.0, 0.0, 40.0, 40.0, 0.0, 0.0]))


@pytest.fixture(scope="module")
def driven():
    result = drive_cycle(car(inverter=GATES), HOP, "map")
    return comparable(drive_gates(result, ["brisk"], "map"), "map")


def test_half_the_energies_are_half_the_switching_loss(driven):
    calm, brisk = driven["calm"][1], driven["brisk"][1]
    assert brisk["losses_kWh"]["switching"] == pytest.approx(0.5 * calm["losses_kWh"]["switching"], rel=2e-3)
    for name in ("conduction", "copper", "battery"):
        assert brisk["losses_kWh"][name] == pytest.approx(calm["losses_kWh"][name], rel=0.01)


def test_what_is_saved_is_what_the_net_energy_lacks(driven):
    calm, brisk = driven["calm"][1], driven["brisk"][1]
    saved = calm["net_kWh"] - brisk["net_kWh"]
    lost_less = sum(calm["losses_kWh"].values()) - sum(brisk["losses_kWh"].values())
    assert saved > 0.0 and saved == pytest.approx(lost_less, rel=0.01)


def test_a_plan_lies_between_its_settings(driven):
    planned = drive_cycle(car(inverter=merge(GATES, {"gate_plan": PLAN})), HOP, "map").main["losses_kWh"]["switching"]
    calm, brisk = (driven[name][1]["losses_kWh"]["switching"] for name in ("calm", "brisk"))
    assert 1.02 * brisk < planned < 0.98 * calm


def test_names_begin_with_the_scenarios_own():
    with_plan = car(inverter=merge(GATES, {"gate_plan": PLAN}))
    assert gate_names(car(inverter=GATES)) == ["calm", "brisk"]
    assert gate_names(with_plan) == ["plan", "calm", "brisk"]
    assert chosen_gates(with_plan, "all") == ["calm", "brisk"] and chosen_gates(with_plan, "brisk, plan") == ["brisk"]
    assert with_gate(with_plan, "brisk").inverter.gate_plan is None
    assert with_gate(with_plan, "brisk").inverter.gate_setting == "brisk"


def test_wrong_names_are_said():
    with pytest.raises(ScenarioError, match='--gates brsk: no such gate setting. Did you mean "brisk"?'):
        chosen_gates(car(inverter=GATES), "brsk")
    with pytest.raises(ScenarioError, match="inverter.gate_settings: there are none"):
        chosen_gates(car(), "all")


def test_the_command_tells_and_keeps_them(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "hop.csv").write_text("time_s,speed_kmh\n" + "\n".join(f"{t},{v}" for t, v in zip(*_points(), strict=True)))
    (tmp_path / "gates.toml").write_text(write_toml(merge(CAR, {"inverter": GATES})))
    result = CliRunner().invoke(main, ["cycle", "gates.toml", "--cycle", "hop.csv", "--mode", "map", "--gates", "all"])
    assert result.exit_code == 0 and "What each gate setting is worth" in result.stdout
    assert "brisk less calm" in result.stdout
    told = json.loads((tmp_path / "results" / "gates" / "cycle.json").read_text())
    assert list(told["gate_settings"]) == ["calm", "brisk"]
    assert told["gate_settings"]["calm"]["net_kWh"] == told["net_kWh"]
    assert (tmp_path / "results" / "gates" / "cycle_gates.png").read_bytes()[:4] == b"\x89PNG"


def _points():
    return HOP.time_s, HOP.speed_kmh
