"""A power stage that is wrong: `drybench run` says so in sentences, ends with 2 and writes nothing; so do sets and sweeps."""

import pytest
from click.testing import CliRunner
from shared_benches import BASE, merge

from simcore.cli import main
from simcore.scenario.toml_text import write_toml

STAGE = {
    "devices": {"kind": "mosfet", "on_resistance_ohm": 2e-3, "max_junction_degC": 175.0},
    "gate_settings": {
        name: {"reference_voltage_V": 600.0, "energy_on_J": [[0.0, 1e-4], [300.0, 9e-3]]} for name in ("calm", "brisk")
    },
    "heat": {"coolant_degC": 65.0, "switch": {"foster": [[0.02, 2e-3], [0.05, 0.05]]}},
}


MEASURED = {"expect": [{"signal": "torque_Nm", "measure": "mean", "min": -1e9}]}


@pytest.fixture
def drybench(tmp_path, monkeypatch):
    """drybench(arguments, inverter={...}) in a folder with bench.toml => exit status, what it said, files written."""
    monkeypatch.chdir(tmp_path)

    def call(*arguments, **tables):
        document = merge(merge(BASE, {"inverter": STAGE}), tables)
        (tmp_path / "bench.toml").write_text(write_toml(document), encoding="utf-8")
        result = CliRunner().invoke(main, list(arguments))
        return result.exit_code, result.output, [path.name for path in tmp_path.iterdir()]

    return call


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("inverter.gate_setting=calmm", 'the inverter has no such gate setting. Did you mean "calm"?'),
        ("inverter.heat.coolant_degC=180", "devices.max_junction_degC = 175.0: must be above the coolant's 180 (degC)"),
        ("inverter.gate_settings.calm.energy_on_J.1.1=-1e-3", "point 1: J -0.001 must not be negative"),
        ("inverter.gate_settings.calm.energy_on_J.1.1=0.5e-4", "energies do not fall with current"),
        ("inverter.gate_settings.calm.energy_on_J=[[0, 1e-4]]", "is too short: a table needs two points or more"),
        ("inverter.heat.switch.cauer=[[1, 0.07]]", "gives foster and cauer as well"),
        ("inverter.heat.ticks_per_step=100", "times the shortest time constant of the switch's network"),
        ("inverter.devices.legs=[{}]", "tells one leg; there are three"),
        ("inverter.heat.derate_from_degC=190", "must be below devices.max_junction_degC = 175"),
    ],
)
def test_a_wrong_stage_ends_with_2_and_a_sentence(drybench, setting, words):
    status, said, _ = drybench("run", "bench.toml", "--set", setting)
    assert status == 2 and words in said and "bench.toml" in said and "Traceback" not in said


def test_nothing_is_written_and_all_problems_come_at_once(drybench):
    inverter = {
        "gate_setting": "cal",
        "gate_plan": {"default": "briks", "rules": [{"use": "clam", "above_current_A": 100.0}]},
        "devices": {"max_junction_degC": 60.0, "legs": [{}, {"stray_inductance_nH": 12}, {}]},
    }
    status, said, files = drybench("run", "bench.toml", inverter=inverter)
    assert status == 2 and files == ["bench.toml"]
    wrong = ("gate_setting", "gate_plan.default", "gate_plan.rules.0.use", "legs.1.stray_inductance_nH", "max_junction_degC")
    assert all(words in said for words in wrong)
    assert len([line for line in said.splitlines() if line.startswith("bench.toml: ")]) == 5


def test_a_sweep_over_a_network_is_checked_too(drybench):
    status, said, files = drybench("sweep", "bench.toml", "--vary", "inverter.heat.switch.foster.0.0=[0.01,-0.02]", **MEASURED)
    assert status == 2 and "K/W -0.02 must be above 0" in said and files == ["bench.toml"]
