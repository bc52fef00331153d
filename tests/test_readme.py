"""The README's examples run as printed."""

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text()
DRIVE = """
[machine]
part = "motors/bilge_pump"
[inverter]
part = "inverters/mosfet_48v"
[supply]
kind = "source"
voltage_V = 48
[load]
kind = "locked"
[run]
duration_s = 0.02
"""


def _blocks(language):
    return re.findall(rf"```{language}\n(.*?)\n```", README, re.S)


def _own_controller():
    return next(block for block in _blocks("python") if "class Spin" in block)


def test_first_own_controller_runs_as_printed(tmp_path):
    from simcore import Bench, load_scenario

    (tmp_path / "spin.py").write_text(_own_controller())
    table = next(block for block in _blocks("toml") if "spin:Spin" in block)
    (tmp_path / "turn.toml").write_text(table + DRIVE)
    recording = Bench(load_scenario(tmp_path / "turn.toml")).run()
    assert len(recording) > 0
    assert abs(recording["ia_A"]).max() > 1.0


def test_its_compiled_form_runs_as_printed_and_turns_alike(tmp_path):
    from simcore import Bench, load_scenario

    (tmp_path / "spin.py").write_text(_own_controller())
    (tmp_path / "fast_spin.py").write_text(next(block for block in _blocks("python") if "class FastSpin" in block))
    table = next(block for block in _blocks("toml") if "spin:Spin" in block)
    (tmp_path / "turn.toml").write_text(table + DRIVE)
    slow = Bench(load_scenario(tmp_path / "turn.toml")).run()
    fast = Bench(load_scenario(tmp_path / "turn.toml", ["controller.class=fast_spin:FastSpin"])).run()
    # The angle is a sum there and a product here.
    assert fast["ia_A"] == pytest.approx(slow["ia_A"], abs=1e-6)


def test_the_conformance_check_runs_as_printed(tmp_path, monkeypatch):
    (tmp_path / "spin.py").write_text(_own_controller())
    (tmp_path / "turn.toml").write_text(next(block for block in _blocks("toml") if "spin:Spin" in block) + DRIVE)
    monkeypatch.chdir(tmp_path)
    exec(compile(next(block for block in _blocks("python") if "check_controller" in block), "README.md", "exec"), {})


def test_the_controller_is_about_ten_lines():
    lines = [line for line in _own_controller().split("class Spin")[1].splitlines() if line.strip()]
    assert len(lines) <= 10


def test_python_example_runs_as_printed(monkeypatch, capsys):
    monkeypatch.chdir(ROOT)
    example = next(block for block in _blocks("python") if "load_scenario" in block)
    exec(compile(example, "README.md", "exec"), {})
    assert capsys.readouterr().out.strip()


def test_faulty_scenario_runs_as_printed(tmp_path):
    from simcore import Bench, load_scenario

    faulty = next(block for block in _blocks("toml") if "[[fault]]" in block)
    (tmp_path / "torque_steps.toml").write_text((ROOT / "scenarios" / "torque_steps.toml").read_text())
    (tmp_path / "faulty.toml").write_text(faulty)
    recording = Bench(load_scenario(tmp_path / "faulty.toml")).run()
    told = [finding for finding in recording.findings if finding.startswith("Fault")]
    assert "acted from 0.12 s to the end." in told[0] and "acted 4 times, first from 0.13 s to 0.132 s" in told[1]
    assert recording["fault"].max() == 2.0


def test_changed_scenario_runs_as_printed(tmp_path):
    from simcore import Bench, load_scenario

    change = next(block for block in _blocks("toml") if 'base = "torque_steps.toml"' in block)
    (tmp_path / "torque_steps.toml").write_text((ROOT / "scenarios" / "torque_steps.toml").read_text())
    (tmp_path / "mine.toml").write_text(change)
    scenario = load_scenario(tmp_path / "mine.toml")
    assert scenario.controller.tuning["current_bandwidth_Hz"] == 800
    assert Bench(scenario).run().audit["residual_relative"] == pytest.approx(0.0, abs=1e-6)


def test_the_part_from_a_data_sheet_and_the_command_that_shows_it_run_as_printed(tmp_path, monkeypatch):
    from click.testing import CliRunner

    from simcore.cli import main

    section = README.split("## Parts and data sheets")[1].split("\n## ")[0]
    (command,) = re.findall(r"`drybench (parts .*?)`", section)
    shown = CliRunner().invoke(main, command.split())
    (excerpt,) = re.findall(r"```text\n(.*?)\n```", section, re.S)
    assert shown.exit_code == 0 and excerpt in shown.stdout
    (tmp_path / "motors").mkdir()
    (part,) = re.findall(r"```toml\n(.*?)\n```", section, re.S)
    (tmp_path / "motors" / "mine.toml").write_text(part)
    monkeypatch.chdir(tmp_path)
    mine = CliRunner().invoke(main, ["parts", "motors/mine", "--voltage", "560"])
    assert mine.exit_code == 0 and "175 " in mine.stdout and "Told" not in mine.stdout


def test_the_power_stage_of_ones_own_runs_as_printed(tmp_path, monkeypatch):
    from click.testing import CliRunner

    from simcore.cli import main

    section = README.split("## Power stage")[1].split("\n## ")[0]
    (part,) = re.findall(r"```toml\n(.*?)\n```", section, re.S)
    (excerpt,) = re.findall(r"```text\n(.*?)\n```", section, re.S)
    (command,) = re.findall(r"`drybench (parts .*?)`", section)
    (tmp_path / "inverters").mkdir()
    (tmp_path / "inverters" / "mine.toml").write_text(part)
    monkeypatch.chdir(tmp_path)
    shown = CliRunner().invoke(main, command.split())
    assert shown.exit_code == 0 and excerpt in shown.stdout, shown.stdout


def test_readme_names_the_two_commands_and_the_cautions():
    assert len(_blocks("sh")) == 2
    assert "Caution" in README and "functional-safety" in README
    assert (ROOT / "scenarios" / "pictures" / "torque_steps.png").is_file()


def test_the_self_test_runs_as_printed(monkeypatch):
    from click.testing import CliRunner

    from simcore.cli import main

    monkeypatch.chdir(ROOT)
    section = README.split("## Test a controller")[1].split("\n## ")[0]
    (command,) = re.findall(r"`drybench (selftest .*?)`", section)
    result = CliRunner().invoke(main, command.split())
    assert result.exit_code == 0 and "No check wrong" in result.stdout


def test_the_alignment_runs_as_printed(tmp_path, monkeypatch):
    from click.testing import CliRunner

    from simcore.cli import main

    section = README.split("## Rehearse the zeroing")[1].split("\n## ")[0]
    (command,) = re.findall(r"`drybench (align .*?)`", section)
    monkeypatch.chdir(ROOT)
    # Fewer starts than printed: the same work in a third of the time.
    result = CliRunner().invoke(main, [*command.split(), "--starts", "8", "--no-plot", "--out", str(tmp_path)])
    assert result.exit_code == 0 and "Recommended: " in result.stdout
    assert (tmp_path / "hoist_alignment" / "align.json").is_file()


def test_tuning_runs_as_printed(tmp_path, monkeypatch):
    from click.testing import CliRunner

    from simcore.cli import main

    section = README.split("## Tune")[1].split("\n## ")[0]
    (command,) = re.findall(r"`drybench (tune .*?)`", section)
    (tmp_path / "scenarios").mkdir()
    (tmp_path / "scenarios" / "torque_steps.toml").write_text((ROOT / "scenarios" / "torque_steps.toml").read_text())
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, [*command.split(), "--no-range"])
    (excerpt,) = re.findall(r"```text\n(.*?)\n```", section, re.S)
    assert result.exit_code == 0 and excerpt in result.stdout, result.stdout
    assert "agree: closed response" in result.stdout and "[controller.tuning]" in result.stdout
    assert {"tune.json", "response.csv"} <= {path.name for path in (tmp_path / "results" / "torque_steps").iterdir()}


def test_the_monitor_tells_what_is_printed(tmp_path, monkeypatch):
    from click.testing import CliRunner

    from simcore.cli import main

    section = README.split("## A monitor beside the controller")[1].split("\n## ")[0]
    (command,) = re.findall(r"`drybench (run .*?)`", section)
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, ["run", str(ROOT / command.split()[1]), "--no-plot"])
    (excerpt,) = re.findall(r"```text\n(.*?)\n```", section, re.S)
    assert result.exit_code == 0 and excerpt in result.stdout, result.stdout


def test_the_explanation_runs_as_printed(tmp_path, monkeypatch):
    from click.testing import CliRunner

    from simcore.cli import main

    section = README.split("## Explain")[1].split("\n## ")[0]
    (command,) = re.findall(r"`drybench (explain .*?)`", section)
    monkeypatch.chdir(tmp_path)
    ran = CliRunner().invoke(main, ["run", str(ROOT / "scenarios/torque_steps.toml"), "--no-plot"])
    assert command in ran.stdout
    result = CliRunner().invoke(main, command.split())
    (excerpt,) = re.findall(r"```text\n(.*?)\n```", section, re.S)
    at = result.stdout.index(excerpt.splitlines()[0])
    told = "\n".join(result.stdout[at:].splitlines()[: excerpt.count("\n") + 1])
    # Another platform's sine may move a last digit.
    number = r"\d+\.?\d*"
    assert result.exit_code == 0 and re.sub(number, "", excerpt) == re.sub(number, "", told)
    assert [*map(float, re.findall(number, excerpt))] == pytest.approx([*map(float, re.findall(number, told))], rel=0.03)


def test_scenarios_as_tests_run_as_printed(tmp_path, monkeypatch):
    """Baseline, comparison and template; what pytest collects is tested in tests/running/test_pytest_plugin.py."""
    from click.testing import CliRunner

    from simcore.cli import main

    section = README.split("## Keep a tuning")[1].split("\n## ")[0]
    (tmp_path / "scenarios").mkdir()
    for name in ("torque_steps.toml", "scenarios/torque_steps.toml"):
        (tmp_path / name).write_text((ROOT / "scenarios" / "torque_steps.toml").read_text())
    (template,) = re.findall(r"```toml\n(.*?)\n```", section, re.S)
    (tmp_path / "speeds.toml").write_text(template)
    monkeypatch.chdir(tmp_path)
    commands = [command.replace("\n", " ").split() for command in re.findall(r"`drybench ([a-z]+ [^`]*?\.toml[^`]*)`", section)]
    assert [command[0] for command in commands] == ["baseline", "run", "run"]
    for command in commands:
        result = CliRunner().invoke(main, [*command, *(["--no-plot"] if command[0] == "run" else [])])
        assert result.exit_code == 0, result.stdout
    assert (tmp_path / "results" / "speeds-fast" / "metrics.json").is_file() and "speeds-slow" in result.stdout
    one = CliRunner().invoke(main, ["run", "speeds.toml", "--no-plot", "--set", "template=fast", "--out", "one"])
    assert one.exit_code == 0 and [path.name for path in (tmp_path / "one").iterdir()] == ["speeds-fast"]


def test_the_map_runs_as_printed(tmp_path, monkeypatch):
    from click.testing import CliRunner

    from simcore.cli import main

    monkeypatch.chdir(ROOT)
    section = README.split("## Efficiency map and envelope")[1].split("\n## ")[0]
    command = re.findall(r"`drybench (map .*?)`", section, re.S)[0]
    result = CliRunner().invoke(main, [*command.split(), "--no-plot", "--out", str(tmp_path)])
    assert result.exit_code == 0 and (tmp_path / "torque_steps" / "map.csv").is_file()
    (excerpt,) = re.findall(r"```text\n(.*?)\n```", section, re.S)
    told = "\n".join(line for line in result.stdout.splitlines() if line.startswith("  positive torque"))
    number = r"-?\d+\.?\d*"
    assert re.sub(number, "", excerpt).split() == re.sub(number, "", told).split()
    assert [*map(float, re.findall(number, excerpt))] == pytest.approx([*map(float, re.findall(number, told))], rel=0.02)


def test_sweep_and_tolerance_run_as_printed(tmp_path, monkeypatch):
    from click.testing import CliRunner

    from simcore.cli import main
    from simcore.scenario.reader import scenario_from

    monkeypatch.chdir(ROOT)
    section = README.split("## Sweeps and tolerances")[1].split("\n## ")[0]
    sweep, tolerance = re.findall(r"`drybench ((?:sweep|tolerance) .*?)`", section, re.S)
    swept = CliRunner().invoke(main, [*sweep.split(), "--out", str(tmp_path)])
    assert swept.exit_code == 1 and "Best: current_bandwidth_Hz = " in swept.stdout
    assert (tmp_path / "torque_steps" / "sweep.png").is_file()
    drawn = CliRunner().invoke(main, [*tolerance.split(), "--out", str(tmp_path), "--no-plot"])
    (excerpt,) = re.findall(r"```text\n(.*?)\n```", section, re.S)
    assert drawn.exit_code == 1
    # Another platform's sine may move a draw across a limit or exchange two drivers.
    printed = drawn.stdout.splitlines()
    at = next(k for k, line in enumerate(printed) if "from 130 ms" in line)
    number = r"-?\d+\.?\d*"
    shown, told = excerpt, "\n".join(printed[at : at + 3])
    assert sorted(re.sub(number, "", shown).split()) == sorted(re.sub(number, "", told).split())
    assert [*map(float, re.findall(number, shown))][:6] == pytest.approx([*map(float, re.findall(number, told))][:6], rel=0.02)
    (table,) = re.findall(r"```toml\n(.*?)\n```", section, re.S)
    scenario = scenario_from(simcore_scenario("known_answer").resolved | tomllib.loads(table), "known.toml")
    assert len(scenario.tolerances) == 3


def simcore_scenario(name):
    from simcore import load_scenario

    return load_scenario(ROOT / "scenarios" / f"{name}.toml")
