"""`drybench sweep` and `drybench tolerance`: files, tables, exit status, wrong input, Ctrl-C, executors."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from command_calls import called, left_in, rows_of

from simcore import Bench, load_scenario
from simcore.measure import judge
from simcore.report.interruption import SENTENCE

ROOT = Path(__file__).resolve().parent.parent.parent
SCENARIO = """\
title = "A step of current"
[machine]
kind = "constants"
pole_pairs = 4
stator_resistance_ohm = 0.01
inductance_d_H = 0.25e-3
inductance_q_H = 0.25e-3
magnet_flux_Wb = 0.06
max_current_A = 300
max_speed_rpm = 20000
[inverter]
switching_frequency_Hz = 10000
[supply]
voltage_V = 400
[load]
kind = "rig"
speed_rpm = 1500
[controller]
mode = "current"
tuning = { current_bandwidth_Hz = 500 }
[commands]
iq_A = [[0.0, 0.0], [0.01, 50.0]]
[run]
duration_s = 0.03
[[expect]]
signal = "iq_A"
measure = "settling_time_s"
step_at_s = 0.01
max = 0.002
[[expect]]
signal = "torque_Nm"
measure = "mean"
from_s = 0.02
equal = 18.0
tolerance = 0.6
[tolerance]
machine.magnet_flux_Wb = { normal_percent = 2 }
sensors.current.gain.0 = { uniform_percent = 2 }
"""
BANDWIDTH = "controller.tuning.current_bandwidth_Hz"


@pytest.fixture
def file(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "step.toml").write_text(SCENARIO)
    return tmp_path / "step.toml"


def test_a_sweep_writes_its_points_and_a_picture_and_tells_best_and_worst(file):
    status, out, err = called("sweep", file, "--vary", f"{BANDWIDTH}=100:900:5")
    assert status == 1 and err == ""
    assert left_in("results/step") == ["sweep.csv", "sweep.png"]
    rows = rows_of("results/step/sweep.csv")
    assert [row[BANDWIDTH] for row in rows] == ["100", "300", "500", "700", "900"]
    assert [row["met"] for row in rows] == ["0", "1", "1", "1", "1"]
    # A first-order lag takes ln(50)/w = 1.25 ms; the update's delay makes the loop a little quicker.
    assert 0.9e-3 < float(rows[2]["iq_A.settling_time_s.step_0.01.band_2"]) < 1.25e-3
    assert "5 points (5 controller.tuning.current_bandwidth_Hz): 4 meet every expectation." in out
    assert "Worst: current_bandwidth_Hz = 100" in out and "Best: current_bandwidth_Hz = " in out
    assert out.count("!") == 1


def test_a_sweep_over_two_keys_draws_a_map_and_over_three_none(file):
    grid = ["--vary", f"{BANDWIDTH}=[300,600]", "--vary", "load.speed_rpm=[500,1500,2500]"]
    assert called("sweep", file, *grid, "--quiet") == (0, "", "")
    assert len(rows_of("results/step/sweep.csv")) == 6 and (Path("results/step") / "sweep.png").is_file()
    status, out, _ = called("sweep", file, *grid, "--vary", "run.seed=[1,2]", "--set", "commands.iq_A=[[0,0],[0.01,50]]")
    assert status == 0 and "No picture" in out
    # The older picture would show another sweep.
    assert left_in("results/step") == ["sweep.csv"] and len(rows_of("results/step/sweep.csv")) == 12


def test_results_of_run_and_of_a_study_live_side_by_side(file):
    assert called("run", file, "--no-plot", "--quiet")[0] == 0
    assert called("sweep", file, "--vary", f"{BANDWIDTH}=[400,500]", "--quiet")[0] == 0
    assert {"recording.npz", "metrics.json", "sweep.csv", "sweep.png"} <= set(left_in("results/step"))


def test_a_sweep_as_one_json_document(file):
    status, out, _ = called("sweep", file, "--vary", f"{BANDWIDTH}=[100,500]", "--json", "--no-plot")
    told = json.loads(out)
    assert status == 1 and [point["passed"] for point in told["points"]] == [[False, True], [True, True]]
    assert (told["best"], told["worst"]) == (1, 0) and told["axes"] == [{"key": BANDWIDTH, "values": [100, 500]}]
    assert told["expectations"][0]["limit"] == {"max": 0.002}


def test_a_tolerance_study_writes_yields_draws_and_the_worst_one(file):
    status, out, err = called("tolerance", file, "--draws", 64)
    assert status == 1 and err == ""
    assert left_in("results/step") == ["tolerance.csv", "tolerance.json", "tolerance.png", "worst.toml"]
    told = json.loads(Path("results/step/tolerance.json").read_text())
    assert told["draws"] == 64
    torque = told["expectations"][1]
    assert torque["yield_low"] < torque["yield"] < torque["yield_high"] and torque["drivers"][0]["clear"]
    assert torque["drivers"][0]["key"] == "machine.magnet_flux_Wb"
    rows = rows_of("results/step/tolerance.csv")
    assert len(rows) == 64 and sum(row["met"] == "1" for row in rows) == pytest.approx(64 * told["yield"])
    assert "All together" in out and "driven by magnet_flux_Wb" in out and "worst.toml" in out
    # The worst draw alone gives the same numbers to the last bit.
    worst = load_scenario("results/step/worst.toml")
    values = [verdict["value"] for verdict in judge(Bench(worst).run(), worst.expect)]
    line = rows[told["worst"]["draw"]]
    assert [repr(value) for value in values] == [line[name] for name in line if name.startswith(("iq_A", "torque_Nm"))]
    assert repr(worst.machine.magnet_flux_Wb) == line["machine.magnet_flux_Wb"]


def test_the_same_call_gives_the_same_files_and_another_seed_others(file):
    def files(seed):
        assert called("tolerance", file, "--draws", 20, "--seed", seed, "--quiet")[0] == 1
        return [Path("results/step", name).read_bytes() for name in ("tolerance.csv", "tolerance.json", "worst.toml")]

    first = files(1)
    assert files(1) == first and files(2) != first


def test_a_wanted_yield_decides_the_exit_status(file):
    assert called("tolerance", file, "--draws", 64, "--least-yield", 20, "--quiet") == (0, "", "")
    assert called("tolerance", file, "--draws", 64, "--least-yield", 99.9, "--quiet")[0] == 1


WRONG = {
    "no such file": (["sweep", "stop.toml", "--vary", "a.b=1:2:3"], 'stop.toml: no such file. Did you mean "step.toml"?'),
    "no such key": (["sweep", "step.toml", "--vary", "machine.magnet_flx_Wb=0.05:0.07:3"], 'Did you mean "magnet_flux_Wb"?'),
    "no such tuning": (["sweep", "step.toml", "--vary", "controller.tuning.speed_bandwith_Hz=1:2:3"], "Did you mean"),
    "range": (["sweep", "step.toml", "--vary", "machine.magnet_flux_Wb=1:2"], "is neither a range a:b:n nor a list"),
    "beyond": (["sweep", "step.toml", "--vary", "machine.magnet_flux_Wb=-0.1:0.1:3"], "must be at least 0 (Wb)"),
    "draws": (["tolerance", "step.toml", "--draws", "0"], "--draws 0: must be a whole number of at least 1"),
    "executor": (["tolerance", "step.toml", "--executor", "dask:8786"], "Write --executor dask://HOST:PORT"),
    "distribution": (["tolerance", "step.toml", "--set", "tolerance.run.seed={normal=1}"], "the key takes whole numbers"),
    "out": (["tolerance", "step.toml", "--out", "step.toml"], "the results cannot be written"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_input_is_one_sentence_and_nothing_is_written(file, name):
    arguments, words = WRONG[name]
    status, out, err = called(*arguments)
    assert status == 2 and out == "" and words in err and err.count("\n") == 1, err
    assert left_in(".") == ["step.toml"]


def test_a_controller_in_python_runs_in_processes(file, tmp_path):
    (tmp_path / "own.py").write_text(
        "import os\nfrom controllers import Command, Controller\n\n\nclass Own(Controller):\n"
        '    signals = ("pid",)\n\n    def reset(self, setup):\n        self.duty = setup.tuning["duty"]\n\n'
        "    def step(self, measured):\n        return Command(self.duty, 0.5, 0.5, extra=(os.getpid(),))\n"
    )
    own = [
        "--set", "controller={class='own:Own', tuning={duty=0.5}}", "--set", "run.duration_s=0.021",
        "--set", "expect=[{signal='controller_pid', measure='mean', min=0}, {signal='ia_A', measure='final', min=-1e9}]",
    ]  # fmt: skip
    status, _, err = called("sweep", file, "--vary", "controller.tuning.duty=0.5:0.52:3", "--no-plot", *own)
    assert (status, err) == (0, "")
    rows = rows_of("results/step/sweep.csv")
    assert all(float(row["controller_pid.mean"]) != os.getpid() for row in rows)
    assert [float(row["ia_A.final"]) for row in rows] == sorted(float(row["ia_A.final"]) for row in rows)
    alone = load_scenario(file, [text for text in own if text != "--set"] + ["controller.tuning.duty=0.52"])
    assert repr(float(Bench(alone).run()["ia_A"][-1])) == rows[2]["ia_A.final"]


# Stopped and gone on.


def process(folder, *arguments):
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "simcore", *map(str, arguments)]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment, text=True)


def lines_in(path):
    try:
        return path.read_text().count("\n")
    except OSError:
        return 0


def wait_until(condition, started):
    limit = time.monotonic() + 60.0
    while not condition():
        assert started.poll() is None and time.monotonic() < limit, started.communicate()
        time.sleep(0.01)


LONG = ["--draws", 2000, "--set", "run.duration_s=0.2", "--no-plot"]


def test_ctrl_c_keeps_what_was_done_and_the_next_call_goes_on(file, tmp_path):
    partial = tmp_path / "results" / "step" / "tolerance.partial"
    started = process(tmp_path, "tolerance", file, *LONG)
    wait_until(lambda: lines_in(partial) > 20, started)
    started.send_signal(signal.SIGINT)
    out, err = started.communicate(timeout=30.0)
    assert started.returncode == 130 and out == "" and "Traceback" not in err
    count = lines_in(partial) - 1
    assert f"{count} results are kept in results/step/tolerance.partial; the same call goes on from there." in err
    assert err.endswith(f"{SENTENCE}\n") and left_in(partial.parent) == ["tolerance.partial"]
    # Fewer draws are the first of many: the same study.
    status, _, err = called("tolerance", file, "--draws", 60, "--set", "run.duration_s=0.2", "--no-plot")
    assert status == 1 and "were done before" in err
    assert left_in(partial.parent) == ["tolerance.csv", "tolerance.json", "worst.toml"]
    resumed = Path("results/step/tolerance.csv").read_bytes()
    assert called("tolerance", file, "--draws", 60, "--set", "run.duration_s=0.2", "--no-plot", "--quiet")[0] == 1
    assert Path("results/step/tolerance.csv").read_bytes() == resumed


KILLER = """\
import os
import signal
from pathlib import Path

from controllers import Command, Controller


class Own(Controller):
    def reset(self, setup):
        self.duty = setup.tuning["duty"]
        if self.duty > 0.515 and Path(__file__).with_name("die").exists():
            os.kill(os.getpid(), signal.SIGKILL)

    def step(self, measured):
        return Command(self.duty, 0.5, 0.5)
"""


def test_processes_that_die_half_way_leave_what_was_done(file, tmp_path, monkeypatch):
    # Two cores, whatever the machine: what is done before the death is then the same everywhere.
    monkeypatch.setattr("simcore.study.points.executors.usable_cores", lambda: 2)
    (tmp_path / "own.py").write_text(KILLER)
    own = [
        "--set", "controller={class='own:Own', tuning={duty=0.5}}", "--set", "run.duration_s=0.021", "--no-plot",
        "--set", "expect=[{signal='ia_A', measure='final', min=-1e9}]",
    ]  # fmt: skip
    vary = ["--vary", "run.seed=[1,2,3,4]", "--vary", "controller.tuning.duty=[0.5,0.51,0.52]"]
    # The tuning is tried in this process first, so that death may only come then.
    monkeypatch.setattr("simcore.study.sweep.grid.check_controller", lambda *_: (tmp_path / "die").touch())
    status, out, err = called("sweep", file, *vary, *own)
    assert status == 3 and out == "" and "the executor failed after" in err and "BrokenProcessPool" in err
    monkeypatch.undo()
    monkeypatch.chdir(tmp_path)
    (tmp_path / "die").unlink()
    status, out, err = called("sweep", file, *vary, *own)
    assert status == 0 and len(rows_of("results/step/sweep.csv")) == 12
    assert left_in("results/step") == ["sweep.csv"]


@pytest.fixture(scope="module")
def cluster():
    """A real scheduler with a worker process of its own."""
    distributed = pytest.importorskip("distributed", reason='dask.distributed is not installed: pip install "drybench[dask]"')
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, dashboard_address=":0", silence_logs="CRITICAL"
    ) as started:
        yield started


def test_a_cluster_of_dask_gives_the_same_files(file, cluster, monkeypatch):
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    address = cluster.scheduler_address.replace("tcp://", "dask://")
    told = ("tolerance", file, "--draws", 40, "--no-plot", "--quiet")
    assert called(*told) == (1, "", "")
    here = Path("results/step/tolerance.csv").read_bytes()
    Path("results/step/tolerance.csv").unlink()
    assert called(*told, "--executor", address) == (1, "", "")
    assert Path("results/step/tolerance.csv").read_bytes() == here


def test_a_cluster_that_goes_away_half_way_leaves_what_was_done(file, tmp_path):
    distributed = pytest.importorskip("distributed", reason='dask.distributed is not installed: pip install "drybench[dask]"')
    from simcore.study.points.executors import ExecutorFailed, chosen_executor
    from simcore.study.points.kept import kept_count
    from simcore.study.sweep.grid import run_sweep

    scenario, kept = load_scenario(file, ["run.duration_s=2.0", "run.record_every=10"]), tmp_path / "sweep.partial"
    vary = {"run.seed": list(range(40))}
    started = distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, protocol="tcp", dashboard_address=":0", silence_logs="CRITICAL"
    )

    def look(done, total):
        if done >= 2:
            started.close()

    with pytest.raises(ExecutorFailed) as died:
        with chosen_executor(started.scheduler_address.replace("tcp://", "dask://"), scenario) as (executor, _):
            run_sweep(scenario, vary, executor=executor, workers=1, kept=kept, progress=look)
    assert 2 <= died.value.done < 40 and kept_count(kept) == died.value.done
    assert len(run_sweep(scenario, vary, kept=kept).points) == 40


def test_nobody_at_the_address(file, monkeypatch):
    pytest.importorskip("distributed", reason='dask.distributed is not installed: pip install "drybench[dask]"')
    monkeypatch.setattr("simcore.study.points.executors.CONNECT_S", 0.5)
    status, out, err = called("sweep", file, "--vary", "run.seed=[1,2]", "--executor", "dask://127.0.0.1:9")
    assert status == 3 and out == "" and "dask://127.0.0.1:9 does not answer" in err and err.count("\n") == 1
    assert left_in(".") == ["step.toml"]


def test_without_dask_the_remedy_is_told(file, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    status, _, err = called("sweep", file, "--vary", "run.seed=[1,2]", "--executor", "dask://127.0.0.1:9")
    assert status == 2 and 'pip install "drybench[dask]"' in err
