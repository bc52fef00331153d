"""`drybench run` on failures: exit statuses 2 and 3, one sentence, no traceback, whole results or none."""

import json
import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from simcore.cli import main

ROOT = Path(__file__).resolve().parents[2]
SCENARIO = """
[machine]
kind = "constants"
pole_pairs = 4
stator_resistance_ohm = 0.01
inductance_d_H = 0.2e-3
inductance_q_H = 0.6e-3
magnet_flux_Wb = 0.07
max_current_A = 400
max_speed_rpm = 12000
[inverter]
switching_frequency_Hz = 10000
[supply]
kind = "source"
voltage_V = 400
[load]
kind = "rig"
speed_rpm = 600
[controller]
class = "spin:Spin"
[run]
duration_s = DURATION
record_every = 1
"""
HEAD = "from controllers import Command, Controller\n"
SPIN = """
class Spin(Controller):
    def reset(self, setup):
        self.k = 0
    def step(self, measured):
        self.k += 1
        BODY
        return Command(0.5, 0.5, 0.5)
"""


@pytest.fixture
def write(tmp_path):
    """write(body of step) => path of a scenario with its controller beside it."""

    def make(body="pass", duration="0.005", module=None, name="own.toml"):
        body = textwrap.indent(textwrap.dedent(body), " " * 8).strip()
        (tmp_path / "spin.py").write_text(HEAD + (module or SPIN.replace("BODY", body)))
        (tmp_path / name).write_text(SCENARIO.replace("DURATION", duration))
        return tmp_path / name

    return make


def run(*arguments):
    """=> exit status, standard output, standard error of `drybench run ...`."""
    result = CliRunner().invoke(main, ["run", *map(str, arguments), "--no-plot"])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    assert "Traceback" not in result.output
    return result.exit_code, result.stdout, result.stderr


FAILURES = {
    "raises": ("if self.k > 20: raise ValueError('no idea')", "Spin.step raised ValueError"),
    "none": ("if self.k > 20: return None", "Spin.step answered None"),
    "nan": ("if self.k > 20: return Command(float('nan'), 0.5, 0.5)", "not a finite number"),
    "out of range": ("if self.k > 20: return Command(0.5, 1.5, 0.5)", "a duty of 1.5"),
    "gate setting": ("if self.k > 20: return Command(0.5, 0.5, 0.5, True, 2)", "gate_setting = 2"),
    "ends the program": ("if self.k > 20: raise SystemExit(0)", "Spin.step raised SystemExit"),
}


@pytest.mark.parametrize("case", FAILURES)
def test_a_controller_that_fails_is_status_3_and_its_results_up_to_there_are_whole(write, tmp_path, case):
    body, words = FAILURES[case]
    status, _, errors = run(write(body), "--out", tmp_path / "out")
    assert status == 3
    assert words in errors and "tick 20 (0.001 s)" in errors
    (folder,) = (tmp_path / "out").iterdir()
    assert folder.name == "own"
    with np.load(folder / "recording.npz", allow_pickle=False) as arrays:
        lengths = {len(arrays[name]) for name in arrays.files}
        assert len(lengths) == 1 and abs(lengths.pop() - 20) <= 1
        assert arrays["time_s"][0] == 0.0 and "torque_Nm" in arrays.files
    metrics = json.loads((folder / "metrics.json").read_text())
    assert metrics["status"] == "error" and words in json.dumps(metrics)
    assert metrics["timing"]["simulated_s"] == pytest.approx(0.001, abs=6e-5)
    assert (folder / "resolved.toml").is_file()


WRONG = {
    "syntax error": "class Spin(Controller)\n    pass\n",
    "import error": "import no_such_package_here\n",
    "abstract": "class Spin(Controller):\n    pass\n",
    "missing class": "class Spinn(Controller):\n    pass\n",
    "not derived": "class Spin:\n    pass\n",
    "ends the program": "raise SystemExit(0)\n",
}


@pytest.mark.parametrize("case", WRONG)
def test_a_class_that_cannot_be_loaded_is_status_2_and_writes_nothing(write, tmp_path, case):
    status, _, errors = run(write(module=WRONG[case]), "--out", tmp_path / "out")
    assert status == 2
    assert errors.count("own.toml: controller.class") == 1
    assert not (tmp_path / "out").exists()


def test_a_tuning_the_built_in_refuses_is_status_2(write, tmp_path):
    path = write()
    text = path.read_text().replace('class = "spin:Spin"', "tuning = { curent_bandwidth_Hz = 500 }")
    path.write_text(text + "[commands]\ntorque_Nm = 1.0\n")
    status, _, errors = run(path, "--out", tmp_path / "out")
    assert status == 2
    assert "own.toml: controller.tuning.curent_bandwidth_Hz" in errors and "current_bandwidth_Hz" in errors
    assert not (tmp_path / "out").exists()


def test_a_failing_reset_is_status_3_and_leaves_nothing(write, tmp_path):
    status, _, errors = run(
        write(module=SPIN.replace("self.k = 0", "1 / 0").replace("BODY", "pass")), "--out", tmp_path / "out"
    )
    assert status == 3
    assert "Spin.reset raised ZeroDivisionError" in errors
    assert not (tmp_path / "out" / "own").exists()


def test_of_several_scenarios_the_largest_status_counts_and_the_others_run(write, tmp_path):
    bad = write("if self.k > 20: return None", name="bad.toml")
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(bad.read_text().replace("pole_pairs = 4", "pole_pairs = 0"))
    good = tmp_path / "good.toml"
    good.write_text(bad.read_text().replace('class = "spin:Spin"', 'mode = "voltage"') + "[commands]\nvd_V = 1.0\n")
    status, _, errors = run(wrong, good, "--out", tmp_path / "out")
    assert status == 2
    assert "machine.pole_pairs" in errors
    assert (tmp_path / "out" / "good" / "metrics.json").is_file()
    status, _, _ = run(wrong, bad, good, "--out", tmp_path / "out")
    assert status == 3
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["bad", "good"]


def test_an_older_result_stays_when_the_new_input_is_wrong(write, tmp_path):
    assert run(write(), "--out", tmp_path / "out")[0] == 0
    before = {p.name: p.read_bytes() for p in (tmp_path / "out" / "own").iterdir()}
    assert run(write(module="raise ValueError\n"), "--out", tmp_path / "out")[0] == 2
    assert {p.name: p.read_bytes() for p in (tmp_path / "out" / "own").iterdir()} == before


def start(path, out):
    """=> process of `drybench run` in a terminal of its own."""
    code = "from simcore.cli import main; main(prog_name='drybench')"
    paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    return subprocess.Popen(
        [sys.executable, "-c", code, "run", str(path), "--out", str(out), "--no-plot"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=path.parent,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
    )  # fmt: skip


@pytest.mark.skipif(sys.platform == "win32", reason="signals of a terminal")
@pytest.mark.parametrize("older", [False, True])
def test_ctrl_c_leaves_nothing_half_written(write, tmp_path, older):
    out = tmp_path / "out"
    if older:
        assert run(write(), "--out", out)[0] == 0
        before = {p.name: p.read_bytes() for p in (out / "own").iterdir()}
    started = tmp_path / "started"
    path = write(f"if self.k == 2000: open({str(started)!r}, 'w').close()", duration="400.0")
    path.write_text(path.read_text().replace("record_every = 1\n", ""))
    process = start(path, out)
    deadline = time.monotonic() + 60.0
    while not started.exists() and process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=30.0)
    assert process.returncode == 130, errors
    assert "Traceback" not in errors and "Stopped" in errors
    if older:
        assert {p.name: p.read_bytes() for p in (out / "own").iterdir()} == before
        assert [p.name for p in out.iterdir()] == ["own"]
    else:
        assert not out.exists() or not list(out.iterdir())
