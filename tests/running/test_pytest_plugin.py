"""Scenario files as tests, in a repository of somebody else: what is collected, told, kept in files and written anew."""

import json
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest
from shared_benches import SMALL_PUMP

from simcore.scenario.models import Scenario
from simcore.scenario.recognise import TABLES, is_scenario_file
from simcore.study.baseline.command import write_baselines

ROOT = Path(__file__).resolve().parent.parent.parent
MEAN = '[[expect]]\nsignal = "iq_A"\nmeasure = "mean"\nfrom_s = 0.01\nmin = {least}\n'
FILES = {
    "scenarios/good.toml": SMALL_PUMP + MEAN.format(least=4.0) + MEAN.format(least=3.0)
    + '[[expect]]\nsignal = "binding_limit"\nmeasure = "max"\nequal = 0\n',
    "scenarios/poor.toml": SMALL_PUMP + MEAN.format(least=9.0),
    "scenarios/silent.toml": SMALL_PUMP,
    "scenarios/slow.toml": 'base = "good.toml"\n[[template]]\nload.speed_rpm = 100\n'
    '[[template]]\nname = "fast"\nload.speed_rpm = 900\n',
    "scenarios/wrong.toml": SMALL_PUMP + "[invertr]\n",
    "scenarios/torn.toml": "[machine]\n[run\n",
    "scenarios/late.toml": SMALL_PUMP.replace('mode = "current"', 'class = "late:Late"') + MEAN.format(least=4.0),
    "scenarios/late.py": "from controllers import Command, Controller\n\n\nclass Late(Controller):\n"
    "    def reset(self, setup):\n        pass\n\n    def step(self, measured):\n"
    "        assert measured.time_s < 2e-3, 'too late'\n        return Command(0.5, 0.5, 0.5)\n",
    "scenarios/motors/mine.toml": 'base = "other.toml"\nmax_current_A = 7\n',
    "scenarios/old/resolved.toml": SMALL_PUMP,
    "pyproject.toml": "[tool.machine]\n[machine]\n[run]\n",
    "tests/test_own.py": "def test_own():\n    pass\n",
}  # fmt: skip


def repository(folder):
    for name, text in FILES.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    return folder


def run_pytest(folder, *args, plugin=("-p", "simcore.pytest_plugin"), **environment):
    """=> (exit status, output) of pytest in a process of its own, with nothing of this repository's settings."""
    inherited = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST")}
    command = [sys.executable, "-m", "pytest", *plugin, "-p", "no:benchmark", "-p", "no:hypothesispytest", *args]
    done = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, check=False,
        env={**inherited, "PYTHONPATH": str(ROOT), **environment},
    )  # fmt: skip
    return done.returncode, done.stdout + done.stderr


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """(folder, exit status, output, {node: failure text or None}) of a plain run with a report for machines."""
    folder = repository(tmp_path_factory.mktemp("theirs"))
    status, out = run_pytest(folder, "-v", "-rA", "--junitxml=report.xml")
    cases = ElementTree.parse(folder / "report.xml").iter("testcase")
    found = {}
    for case in cases:
        failure = case.find("failure")
        found[f"{case.get('classname')}::{case.get('name')}"] = None if failure is None else failure.text
    return folder, status, out, found


def test_an_item_an_expectation_one_for_a_silent_run_and_one_for_wrong_input(first):
    _, status, out, found = first
    assert status == 1 and set(found) == {
        "scenarios.good.toml::iq_A-mean[from=0.01s]",
        "scenarios.good.toml::iq_A-mean[from=0.01s,#2]",
        "scenarios.good.toml::binding_limit-max",
        "scenarios.poor.toml::iq_A-mean[from=0.01s]",
        "scenarios.silent.toml::finishes",
        *(
            f"scenarios.slow.toml.{case}::{name}"
            for case in ("speed_rpm=100", "fast")
            for name in ("iq_A-mean[from=0.01s]", "iq_A-mean[from=0.01s,#2]", "binding_limit-max")
        ),
        "scenarios.wrong.toml::input",
        "scenarios.torn.toml::input",
        "scenarios.late.toml::iq_A-mean[from=0.01s]",
        "tests.test_own::test_own",
    }
    failed = {name.split("::")[0] for name, text in found.items() if text}
    assert failed == {f"scenarios.{name}.toml" for name in ("poor", "wrong", "torn", "late")}


def test_a_failure_tells_signal_measure_value_limit_and_figure(first):
    folder, _, _, found = first
    lines = found["scenarios.poor.toml::iq_A-mean[from=0.01s]"].splitlines()
    value = lines[3].removeprefix("  value   ")
    assert float(value.removesuffix(" A")) == pytest.approx(5.0, abs=0.2)
    assert lines == [
        f"poor: mean of iq_A is {value}, not at least 9 A",
        "  signal  iq_A",
        "  measure mean, from 10 ms",
        f"  value   {value}",
        "  limit   at least 9 A",
        "  figure  .pytest_cache/d/drybench/scenarios/poor/overview.png",
    ]
    assert (folder / lines[-1].split()[1]).read_bytes()[:4] == b"\x89PNG"


def test_wrong_input_and_a_run_that_breaks_off_are_sentences_without_traceback(first):
    _, _, out, found = first
    wrong = found["scenarios.wrong.toml::input"]
    assert wrong == 'scenarios/wrong.toml: invertr: unknown table or key. Did you mean "inverter"?'
    assert "torn.toml: line 2" in found["scenarios.torn.toml::input"]
    late = found["scenarios.late.toml::iq_A-mean[from=0.01s]"]
    assert late.startswith("late.toml: Late.step raised AssertionError (late.py, line 9)")
    assert "scenarios/late/overview.png" in late
    assert "Traceback" not in out and "INTERNALERROR" not in out
    assert "FAILED scenarios/wrong.toml::input - scenarios/wrong.toml: invertr" in out


def test_only_scenarios_that_failed_leave_results(first):
    folder, *_ = first
    kept = folder / ".pytest_cache" / "d" / "drybench" / "scenarios"
    assert sorted(path.name for path in kept.iterdir()) == ["late", "poor"]
    assert not (folder / "results").exists()


def test_values_stand_in_the_report_for_machines(first):
    folder, *_ = first
    case = next(
        case
        for case in ElementTree.parse(folder / "report.xml").iter("testcase")
        if case.get("classname") == "scenarios.good.toml" and case.get("name") == "binding_limit-max"
    )
    found = {one.get("name"): one.get("value") for one in case.iter("property")}
    assert found == {"value": "0 (none)", "limit": "exactly 0"}


def test_baselines_are_compared_and_written_anew(tmp_path):
    """A baseline beside one file only; its scenario is then changed."""
    (tmp_path / "moves.toml").write_text(SMALL_PUMP)
    (tmp_path / "other.toml").write_text(SMALL_PUMP)
    assert write_baselines([tmp_path / "moves.toml"], quiet=True) == 0
    (tmp_path / "moves.toml").write_text(SMALL_PUMP.replace("= 400", "= 450"))
    status, out = run_pytest(tmp_path, "-q", "--drybench-out", "kept", ".")
    assert status == 1 and re.search(r"1 failed, 2 passed", out)
    assert re.search(r"moves: \d+ of \d+ numbers and courses moved beyond what is allowed\.", out)
    assert "  Input: controller.tuning.current_bandwidth_Hz was 400, is 450\n" in out
    assert "  figure  kept/moves/baseline.png" in out
    assert json.loads((tmp_path / "kept/moves/metrics.json").read_text())["baseline"]["within"] is False
    assert (tmp_path / "kept/moves/baseline.png").is_file()
    status, out = run_pytest(tmp_path, "-q", "--drybench-update")
    assert status == 0 and "drybench baselines" in out and "Wrote moves.baseline.json" in out and "was 400, is 450" in out
    assert not (tmp_path / "other.baseline.json").exists()
    (tmp_path / "moves.baseline.json").write_text("{}")
    status, out = run_pytest(tmp_path, "-q", "moves.toml::baseline")
    told = "moves.baseline.json: is no baseline of drybench. Write it anew: drybench baseline moves.toml."
    assert status == 1 and told in out


def test_in_several_processes_a_scenario_at_a_time(first):
    pytest.importorskip("xdist")
    folder, _, _, found = first
    status, out = run_pytest(folder, "-q", "-n", "2", "--dist", "loadgroup", "--junitxml=side.xml")
    again = {
        f"{case.get('classname')}::{case.get('name').split('@')[0]}": None if case.find("failure") is None else "failed"
        for case in ElementTree.parse(folder / "side.xml").iter("testcase")
    }
    assert status == 1 and {k: v is None for k, v in again.items()} == {k: v is None for k, v in found.items()}, out
    assert re.search(r"figure  \.pytest_cache/d/drybench/gw\d/scenarios/poor/overview\.png", out)


def test_files_that_are_named_are_collected_and_marks_choose(tmp_path):
    folder = repository(tmp_path)
    status, out = run_pytest(folder, "--collect-only", "-q", "-m", "drybench", "scenarios/old/resolved.toml", "tests")
    assert status == 0 and out.split("\n\n")[0] == "scenarios/old/resolved.toml::finishes"


def test_a_package_named_like_ours_in_front_of_it_is_one_sentence(tmp_path):
    (tmp_path / "controllers").mkdir()
    (tmp_path / "controllers" / "__init__.py").write_text("")
    (tmp_path / "one.toml").write_text(SMALL_PUMP)
    status, out = run_pytest(tmp_path, "-q")
    told = f"controllers: another package of that name ({tmp_path}/controllers/__init__.py) lies in front"
    assert status == 1 and told in out and "1 failed" in out and "Traceback" not in out


def test_loading_the_plugin_twice_is_once():
    """By name on the command line, in a conftest and by its entry point: all under one name."""
    script = (ROOT / "pyproject.toml").read_text()
    assert '[project.entry-points.pytest11]\n"simcore.pytest_plugin" = "simcore.pytest_plugin"\n' in script
    status, out = run_pytest(ROOT, "--version", plugin=("-p", "simcore.pytest_plugin", "-p", "simcore.pytest_plugin"))
    assert status == 0 and "pytest" in out


def test_the_plugin_imports_nothing_heavy():
    code = "import sys, simcore.pytest_plugin; print([m for m in ('numpy', 'numba', 'pydantic', 'rich') if m in sys.modules])"
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )
    assert told.stdout == "[]\n"


def test_every_table_of_the_language_is_known_to_the_plugin():
    assert {field.alias or name for name, field in Scenario.model_fields.items()} <= TABLES


NONE = {
    "a part": 'kind = "constants"\npole_pairs = 4\n',
    "a part with base": 'base = "strong.toml"\nmax_current_A = 5\n',
    "a package": '[project]\nname = "x"\n[build-system]\nrequires = []\n',
    "machine without run": "[machine]\npole_pairs = 4\n",
    "a common base without run": SMALL_PUMP.partition("[run]")[0],
    "few tables": "[run]\nx = 1\n[load]\nx = 1\n[supply]\nx = 1\n",
    "no tables": "machine = 1\nrun = 2\n",
    "torn": "[project\n",
    "empty": "",
    "a base of another tool": 'base = "main"\n[run]\n',
}


@pytest.mark.parametrize("name", NONE)
def test_what_is_no_scenario(tmp_path, name):
    (tmp_path / "x.toml").write_text(NONE[name])
    assert not is_scenario_file(tmp_path / "x.toml")


@pytest.mark.parametrize("slip", [("[machine]", "[machin]"), ("[machine]", "[machine"), ("[machine]", "[machin")])
def test_a_slip_in_a_header_is_told_and_not_passed_over(tmp_path, slip):
    (tmp_path / "x.toml").write_text(SMALL_PUMP.replace(*slip))
    assert is_scenario_file(tmp_path / "x.toml")


def test_what_is_a_scenario_by_its_base(tmp_path):
    (tmp_path / "x.toml").write_text('base = "y.toml"\n')
    assert not is_scenario_file(tmp_path / "x.toml")
    (tmp_path / "y.toml").write_text(SMALL_PUMP)
    assert is_scenario_file(tmp_path / "x.toml")
    (tmp_path / "x.toml").write_text('base = "gone.toml"\n[controller.tuning]\nx = 1\n')
    assert is_scenario_file(tmp_path / "x.toml")
    (tmp_path / "x.toml").write_text('base = "x.toml"\n[load]\n')
    assert not is_scenario_file(tmp_path / "x.toml")
    (tmp_path / "y.toml").write_bytes(b"\xff\xfe")
    assert not is_scenario_file(tmp_path / "y.toml") and not is_scenario_file(tmp_path / "nowhere.toml")
