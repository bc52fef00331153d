"""`drybench run` as a user meets it: what is printed, where, which exit status, and what lies in the results folder."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

import simcore
from simcore.cli import main
from simcore.loop import Bench
from simcore.report.progress import Bar, Note
from simcore.report.wording import CAUTION

ROOT = Path(__file__).resolve().parent.parent.parent
SMALL = """\
title = "{title}"
[machine]
part = "motors/bilge_pump"
[inverter]
part = "inverters/mosfet_48v"
[supply]
kind = "source"
voltage_V = 48
[load]
kind = "locked"
[controller]
mode = "current"
{controller}
[commands]
id_A = 0.0
iq_A = [[0.0, 0.0], [0.001, 5.0]]
[run]
duration_s = 0.004
[[expect]]
signal = "iq_A"
measure = "final"
min = {least}
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty current folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def scenario(name="small", *, least=0.0, title="A small one", controller=""):
    path = Path(f"{name}.toml")
    path.write_text(SMALL.format(least=least, title=title, controller=controller), encoding="utf-8")
    return str(path)


def drybench(*args):
    """=> (exit status, standard output, error stream) of a command in this process."""
    result = CliRunner().invoke(main, [str(arg) for arg in args])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def run(*args):
    return drybench("run", "--no-plot", *args)


def test_one_scenario_is_told_in_full_and_the_caution_once(folder):
    status, out, err = run(scenario())
    assert (status, err) == (0, "")
    assert out.startswith("small: A small one\n\nExpectations: 1 of 1 met\n") and "Results: results/small\n" in out
    assert out.endswith(f"\n{CAUTION}\n") and out.count("Simulation only") == 1
    assert all(line == line.rstrip() for line in out.splitlines()) and "scenarios\n" not in out


def test_several_end_in_a_line_each(folder):
    Path("broken.toml").write_text("[machine]\n")
    status, out, err = run(scenario("a_fine"), scenario("b_poor", least=1e6), "broken.toml")
    assert status == 2 and err.count("broken.toml") == err.count("\n") > 3
    end = out[out.index("3 scenarios\n") :].splitlines()
    assert [line.split("  ")[1] for line in end[1:4]] == ["a_fine", "b_poor", "broken"]
    assert "met (1 of 1)" in end[1] and end[1].endswith("s") and "NOT MET (0 of 1)" in end[2] and "wrong input" in end[3]
    assert out.count("Simulation only") == 1


def test_nothing_ran_nothing_to_be_careful_about(folder):
    status, out, err = run("nowhere.toml")
    assert (status, out, err) == (2, "", "nowhere.toml: no such file. Check the path.\n")


def test_quiet_prints_errors_only(folder):
    assert run("--quiet", scenario()) == (0, "", "")
    assert run("--quiet", scenario("poor", least=1e6)) == (1, "", "")


@pytest.mark.filterwarnings("ignore:warned")
def test_json_is_one_document_whatever_controllers_print(folder):
    Path("talk.py").write_text(
        "import logging, warnings\nfrom controllers import Command, Controller\n\n\nprint('loaded')\n"
        "class Talk(Controller):\n    def reset(self, setup):\n        print('reset')\n"
        "        logging.getLogger('talk').warning('logged')\n        warnings.warn('warned')\n\n"
        "    def step(self, measured):\n        return Command(0.5, 0.5, 0.5)\n"
    )
    talking = scenario("talking", controller='class = "talk:Talk"')
    status, out, err = run("--json", scenario("small", least=1e6), talking, "nowhere.toml")
    document = json.loads(out)
    assert status == 2 and [entry["status"] for entry in document] == ["failed", "ok", "error"]
    assert [entry["scenario"] for entry in document] == ["small", "talking", "nowhere"]
    assert "no such file" in document[2]["error"]
    assert "loaded" in err and "reset" in err
    assert document[0] == json.loads(Path("results/small/metrics.json").read_text())
    assert drybench("run", "--json", "empty_folder_that_is_not_there", "talking.toml", "--no-plot")[0] == 2
    Path("empty").mkdir()
    status, out, err = run("--json", "empty")
    assert (status, json.loads(out)) == (2, []) and err.startswith("empty: the folder holds no scenario files")
    # Without --json what a controller prints stays where it prints it.
    status, out, _ = run(talking)
    assert status == 0 and out.startswith("loaded\nreset\n")


def test_findings_are_told(folder):
    status, out, _ = run(scenario(), "--set", "commands.torque_Nm=3")
    assert status == 0
    assert 'Told: small.toml (--set): commands.torque_Nm = 3: has no effect in mode "current"' in out


def test_files_are_run_once_and_hidden_ones_not(folder):
    scenario("b")
    scenario("a")
    scenario(".c")
    (folder / "here").symlink_to(folder)
    status, out, _ = run("b.toml", ".", "here", folder / "a.toml")
    assert status == 0 and out.count("Results: ") == 2
    assert [line.split()[0] for line in out[out.index("2 scenarios") :].splitlines()[1:3]] == ["b", "a"]


def test_empty_names_are_refused(folder):
    file = scenario()
    assert run("")[::2] == (2, "an empty path was given. Name a scenario file or a folder of them.\n")
    status, _, err = run(file, "--out", " ")
    assert (status, err) == (2, "--out: is empty. Name a folder for the results.\n")


def test_equal_stems_are_refused(folder):
    Path("other").mkdir()
    scenario("other/small")
    status, out, err = run(scenario(), "other/small.toml")
    assert (status, out) == (2, "") and err.startswith("other/small.toml: has the same stem as small.toml")


def test_a_wrong_set_is_told_once(folder):
    status, _, err = run(scenario("a"), scenario("b"), "--set", "no_equals_sign")
    assert (status, err) == (2, "--set no_equals_sign: has no equals sign. Write --set table.key=value.\n")


def cannot_write(*args, monkeypatch):
    """The run is not begun where its results cannot be written."""

    def not_begun(*_, **__):
        raise AssertionError("the run was begun")

    with monkeypatch.context() as patched:
        patched.setattr(Bench, "run", not_begun)
        status, out, err = run(*args)
    assert (status, out) == (2, "") and err.count("\n") == 1
    return err


def test_results_that_cannot_be_written_are_told_before_the_run(folder, monkeypatch):
    file = scenario()
    Path("taken").write_text("mine")
    where = "{}/small: the results cannot be written: {}. Choose another --out.\n"
    assert cannot_write(file, "--out", "taken", monkeypatch=monkeypatch) == where.format(
        "taken", f"{folder}/taken is a file, not a folder"
    )
    Path("results").mkdir()
    Path("results/small").write_text("mine")
    assert "results/small is a file, not a folder" in cannot_write(file, monkeypatch=monkeypatch)
    monkeypatch.setattr(os, "access", lambda *_: False)
    assert cannot_write(file, "--out", "other", monkeypatch=monkeypatch) == where.format(
        "other", f"{folder} is a folder that may not be written"
    )
    assert Path("taken").read_text() == Path("results/small").read_text() == "mine"


def test_a_file_that_may_not_be_read_is_one_sentence(folder, monkeypatch):
    file = scenario()
    monkeypatch.setattr(os, "access", lambda *_: False)

    def refuse(self, *_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    status, out, err = run(file)
    told = "small.toml: cannot be read (Permission denied). Check the path and its permissions.\n"
    assert (status, out, err) == (2, "", told)


def test_a_full_disk_is_told(folder, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("simcore.report.files.write_npz", full)
    status, out, err = run(scenario())
    told = "results/small: the results cannot be written: No space left on device. Choose another --out.\n"
    assert (status, out, err) == (2, "", told) and not Path("results").exists()


def test_an_older_result_is_replaced(folder):
    run(scenario(), "--csv")
    Path("results/small/notes.txt").write_text("mine")
    assert run(scenario())[0] == 0
    names = {path.name for path in Path("results/small").iterdir()}
    assert names == {"recording.npz", "metrics.json", "resolved.toml", "notes.txt"}
    metrics = json.loads(Path("results/small/metrics.json").read_text())
    assert metrics["timing"]["total_s"] > metrics["timing"]["wall_s"]


def fails(*_, **__):
    raise ZeroDivisionError("a fault of ours")


def test_a_fault_of_ours_is_one_sentence_and_stops_one_scenario_only(folder, monkeypatch):
    files = scenario("a"), scenario("b")
    real = Bench.run
    monkeypatch.setattr(Bench, "run", lambda bench, *args: fails() if bench.scenario.name == "a" else real(bench, *args))
    status, out, err = run(*files)
    assert status == 3 and err == (
        "a.toml: drybench itself failed (ZeroDivisionError: a fault of ours). This should not happen, whatever the input: "
        "please report it with results/a/traceback.txt.\n"
    )
    text = Path("results/a/traceback.txt").read_text()
    assert text.startswith(f"drybench {simcore.__version__}, Python 3.") and "ZeroDivisionError: a fault of ours" in text
    assert "could not finish" in out and "met (1 of 1)" in out
    monkeypatch.setenv("DRYBENCH_DEBUG", "1")
    status, _, err = run("--quiet", *files)
    assert status == 3 and err.startswith("Traceback (most recent call last):\n") and "the traceback above" in err
    monkeypatch.undo()
    monkeypatch.chdir(folder)
    assert run(*files)[0] == 0 and not Path("results/a/traceback.txt").exists()


def test_a_fault_in_another_command_is_one_sentence(folder, monkeypatch):
    monkeypatch.setattr("simcore.scenario.schema.json_schema", fails)
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(folder / "temporary"))
    status, out, err = drybench("schema")
    assert (status, out) == (3, "") and err.count("\n") == 1
    assert err.endswith(f"please report it with {folder}/temporary/drybench/traceback.txt.\n")
    (folder / "temporary" / "drybench" / "traceback.txt").unlink()
    (folder / "temporary" / "drybench").rmdir()
    (folder / "temporary" / "drybench").write_text("in the way")
    assert "what DRYBENCH_DEBUG=1 in the environment shows" in drybench("schema")[2]


def test_a_picture_that_fails_costs_nothing_else(folder, monkeypatch):
    monkeypatch.setattr("simcore.report.overview.compose", fails)
    status, _, err = drybench("run", scenario())
    assert status == 3 and "drybench itself failed" in err
    names = {path.name for path in Path("results/small").iterdir()}
    assert names == {"recording.npz", "metrics.json", "resolved.toml", "traceback.txt"}


def test_too_little_memory_is_told(folder, monkeypatch):
    def small(*_, **__):
        raise MemoryError

    monkeypatch.setattr(Bench, "run", small)
    status, _, err = run(scenario())
    assert status == 3 and err.startswith("small.toml: there is not enough memory for the recording. Raise run.record_every")


@pytest.mark.parametrize("where", ["module", "reset", "step"])
def test_a_controller_that_ends_python_is_told(folder, where):
    ends = {place: "sys.exit(0)" if place == where else "pass" for place in ("module", "reset", "step")}
    Path("leave.py").write_text(
        f"import sys\nfrom controllers import Command, Controller\n\n{ends['module']}\n\nclass Leave(Controller):\n"
        f"    def reset(self, setup):\n        {ends['reset']}\n\n    def step(self, measured):\n        {ends['step']}\n"
    )
    status, _, err = run(scenario(controller='class = "leave:Leave"'))
    assert status in (2, 3) and err.startswith("small.toml: ") and err.count("\n") == 1
    assert "raised SystemExit" in err


def test_a_controller_that_raises_leaves_what_was_recorded_before(folder):
    Path("late.py").write_text(
        "from controllers import Command, Controller\n\n\nclass Late(Controller):\n"
        "    def reset(self, setup):\n        pass\n\n"
        "    def step(self, measured):\n        assert measured.time_s < 2e-3, 'too late'\n"
        "        return Command(0.5, 0.5, 0.5)\n"
    )
    status, out, err = run(scenario(controller='class = "late:Late"'))
    assert status == 3 and err.startswith("small.toml: Late.step raised AssertionError (late.py, line 9)")
    assert "The run was cut short at 2 ms; what follows holds up to there.\n" in out
    assert json.loads(Path("results/small/metrics.json").read_text())["status"] == "error"


def process(*args, **more):
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **more.pop("environment", {})}
    command = [sys.executable, "-m", "simcore", *args]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False, **more)


def test_python_dash_m_is_drybench(folder):
    version = process("--version")
    assert (version.returncode, version.stdout) == (0, f"drybench, version {simcore.__version__}\n")
    wrong = process("rum")
    assert wrong.returncode == 2 and "drybench --help" in wrong.stderr
    script = (ROOT / "pyproject.toml").read_text()
    assert 'drybench = "simcore.__main__:main"' in script


def test_a_terminal_without_the_title_s_letters_and_a_reader_who_leaves(folder):
    file = scenario(title="Hafen 港")
    told = process("run", "--no-plot", file, environment={"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
    assert told.returncode == 0 and told.stdout.startswith("small: Hafen \\u6e2f\n") and told.stderr == ""
    left = f"{sys.executable} -m simcore run --no-plot {file} | head -n 1"
    shown = subprocess.run(
        left, shell=True, capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)}
    )
    assert shown.stderr == "" and shown.stdout == "small: Hafen 港\n"
    assert (folder / "results" / "small" / "metrics.json").exists()


class Terminal:
    """An error stream that says it is a terminal."""

    encoding = "utf-8"

    def __init__(self):
        self.text = ""

    def isatty(self):
        return True

    def write(self, text):
        self.text += text

    def flush(self):
        pass


class FixedClock:
    def __init__(self, at):
        self.at = at

    def perf_counter(self):
        return self.at


def bar_after(monkeypatch, steps, quiet=False):
    """(clock and progress of each call) => what a bar of 100 s wrote to a terminal."""
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("TERM", "xterm")
    bar = Bar("torque_steps (3 of 10)", quiet)
    with monkeypatch.context() as patched:
        for at, done_s in steps:
            patched.setattr("simcore.report.progress.time", FixedClock(at))
            bar(done_s, 100.0)
    bar.close()
    return terminal.text


def test_the_bar_opens_for_runs_of_over_two_seconds(monkeypatch):
    assert bar_after(monkeypatch, [(0.0, 0.0), (0.2, 0.1), (0.4, 40.0), (0.8, 80.0), (1.0, 100.0)]) == ""
    shown = bar_after(monkeypatch, [(0.0, 0.0), (0.4, 10.0), (0.8, 20.0)])
    assert "torque_steps (3 of 10)" in shown and "20 %" in shown
    assert bar_after(monkeypatch, [(0.0, 0.0), (0.4, 10.0), (0.8, 20.0)], quiet=True) == ""
    monkeypatch.undo()
    # Preparing takes its time before the first call, which says nothing of the run.
    assert bar_after(monkeypatch, [(60.0, 50.0), (60.2, 60.0), (60.5, 90.0)]) == ""


@pytest.mark.parametrize("passing", [True, False])
def test_a_note_shows_when_the_work_takes_longer_and_a_passing_one_goes_again(monkeypatch, passing):
    import time

    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    with Note("working ...", 5.0, passing=passing):
        pass
    assert terminal.text == ""
    with Note("working ...", 0.0, passing=passing):
        time.sleep(0.1)
    assert terminal.text == ("working ...\r\x1b[K" if passing else "working ...\n")
    with Note("working ...", 0.0, passing=passing, quiet=True):
        time.sleep(0.1)
    assert terminal.text.count("working") == 1
