"""`drybench map`: files, tables, what it turns a scenario into, wrong input, Ctrl-C."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from command_calls import called, left_in, rows_of

from simcore.report.interruption import SENTENCE

ROOT = Path(__file__).resolve().parent.parent.parent
SCENARIO = """\
title = "A drive"
[machine]
kind = "constants"
pole_pairs = 4
stator_resistance_ohm = 0.02
inductance_d_H = 0.25e-3
inductance_q_H = 0.25e-3
magnet_flux_Wb = 0.06
max_current_A = 300
max_speed_rpm = 6000
[inverter]
switching_frequency_Hz = 10000
[supply]
voltage_V = 400
[load]
kind = "rig"
speed_rpm = 1500
[controller]
mode = "torque"
[commands]
torque_Nm = 20
[run]
duration_s = 0.03
[[expect]]
signal = "torque_Nm"
measure = "mean"
from_s = 0.02
equal = 20.0
tolerance = 0.6
"""
# The columns that every map has, then what came on top.
COLUMNS = (
    "speed_rpm torque_Nm torque_reached_Nm id_A iq_A efficiency_inverter efficiency_machine efficiency_drive loss_conduction_W "
    "loss_switching_W loss_copper_W loss_iron_W junction_degC voltage_margin_V binding_limit"
).split()
SMALL = ["--speed-rpm", "1000:5000:3", "--torque-Nm", "-120:60:4"]


@pytest.fixture
def file(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "drive.toml").write_text(SCENARIO)
    return tmp_path / "drive.toml"


def test_a_map_writes_tables_and_arrays_and_tells_the_envelope(file):
    status, out, err = called("map", file, *SMALL, "--no-plot")
    assert status == 0 and err == ""
    assert left_in("results/drive") == ["envelope.csv", "map.csv", "map.json", "map.npz", "unreachable.csv"]
    rows = rows_of("results/drive/map.csv")
    assert list(rows[0])[: len(COLUMNS)] == COLUMNS and len(rows) == 12
    assert {"loss_gate_W", "loss_capacitor_W", "winding_degC", "magnet_degC", "status", "reason"} <= set(rows[0])
    blank = [row for row in rows if row["status"] == "out_of_reach"]
    assert {row["torque_Nm"] for row in blank} == {"-120.0"}
    assert all(row["efficiency_drive"] == "" and row["reason"].startswith("limit: current") for row in blank)
    unreachable = rows_of("results/drive/unreachable.csv")
    assert [(row["speed_rpm"], row["limit"]) for row in unreachable] == [(n, "current") for n in ("1000.0", "3000.0", "5000.0")]
    assert "3 out of reach, by the limit that bound (current 3): unreachable.csv" in out
    assert "positive torque" in out and "Results: results/drive" in out
    arrays = np.load("results/drive/map.npz")
    assert arrays["efficiency_drive"].shape == (3, 4) and arrays["status"].dtype.kind == "i"
    assert repr(float(arrays["efficiency_drive"][1, 3])) == rows[7]["efficiency_drive"]
    told = json.loads(Path("results/drive/map.json").read_text())
    assert told["points"] == {"ok": 9, "out_of_reach": 3, "unsteady": 0, "failed": 0}
    assert told["envelope"][0]["limit"] == "current" and told["binding_limits"]["4"] == "mtpv"


def test_one_json_document_and_quiet(file):
    status, out, err = called("map", file, "--speed-rpm", 2000, "--torque-Nm", 40, "--no-plot", "--json")
    assert status == 0 and err == "" and json.loads(out)["best"]["efficiency_drive"]["speed_rpm"] == 2000.0
    assert called("map", file, "--speed-rpm", 2000, "--torque-Nm", 40, "--no-plot", "--quiet") == (0, "", "")


def test_without_ranges_the_whole_reach_is_mapped(file):
    grid = ["--quadrants", "1", "--set", "machine.max_speed_rpm=1000", "--set", "load.speed_rpm=500"]
    assert called("map", file, *grid, "--no-plot", "--quiet") == (0, "", "")
    rows = rows_of("results/drive/map.csv")
    speeds, torques = ({float(row[name]) for row in rows} for name in ("speed_rpm", "torque_Nm"))
    assert max(speeds) == 1000.0 and len(speeds) == 20
    # 1.5 p psi I = 108 Nm, upwards to two digits.
    assert max(torques) == 110.0 and min(torques) == 0.0 and len(torques) == 13


VEHICLE = (
    "load={kind='vehicle', mass_kg=1000, rolling_coefficient=0.01, drag_area_m2=0.6, wheel_radius_m=0.3, gear_ratio=9}"
)
SPEED_MODE = [
    "load={kind='free', inertia_kg_m2=0.01}", "controller.mode='speed'", "controller.load.inertia_kg_m2=0.02",
    "commands={speed_rpm=500}", "expect=[]",
]  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([VEHICLE], ["rig that imposes the speed, instead of the scenario's vehicle"]),
        (SPEED_MODE, ["instead of the scenario's free shaft", "[controller.load]", 'instead of the scenario\'s "speed"']),
        (["controller.mode='current'", "commands={iq_A=3}"], ['controller.mode is "torque"']),
        (["inverter.model='switched'"], ["--switched keeps the scenario's edges"]),
    ],
)
def test_what_the_map_changes_of_a_scenario_is_told(file, changes, words):
    sets = [part for change in changes for part in ("--set", change)]
    status, out, err = called("map", file, "--speed-rpm", 2000, "--torque-Nm", 40, "--no-plot", *sets)
    assert status == 0 and err == "" and all(word in out for word in words), out
    (row,) = rows_of("results/drive/map.csv")
    assert float(row["torque_reached_Nm"]) == pytest.approx(40.0, rel=1e-3) and row["status"] == "ok"


def test_switched_points_agree_with_averaged_ones(file):
    drops = ["--set", "inverter.devices={kind='mosfet', on_resistance_ohm=5e-3}"]
    efficiency = []
    for more in ([], ["--switched"]):
        assert called("map", file, "--speed-rpm", 1500, "--torque-Nm", 60, *drops, *more, "--no-plot", "--quiet")[0] == 0
        (row,) = rows_of("results/drive/map.csv")
        efficiency.append([float(row[f"efficiency_{stage}"]) for stage in ("inverter", "machine")])
    # Ripple costs a little more.
    assert efficiency[1] == pytest.approx(efficiency[0], abs=2e-3) and efficiency[0] != efficiency[1]


def test_load_points_of_the_standards(file):
    """IEC 60034-2-3: seven points; IEC 61800-9-2: eight (point lists from memory)."""
    status, out, _ = called("map", file, "--speed-rpm", 2000, "--torque-Nm", 40, "--rated", "4000:100", "--no-plot")
    rows = rows_of("results/drive/load_points.csv")
    assert status == 0 and [row["standard"] for row in rows] == ["IEC 60034-2-3"] * 7 + ["IEC 61800-9-2"] * 8
    full = rows[0]
    assert (full["speed_rpm"], full["torque_Nm"]) == ("3600.0", "100.0")
    # Machine D's kind: 1.5 R (T/(1.5 p psi))^2, nothing lost in ideal legs.
    copper_W = 1.5 * 0.02 * (100.0 / 0.36) ** 2
    assert float(full["loss_machine_W"]) == pytest.approx(copper_W, rel=1e-3)
    assert float(full["loss_inverter_W"]) == pytest.approx(0.0, abs=1e-3 * copper_W)
    assert float(full["loss_of_rated_percent"]) == pytest.approx(100.0 * copper_W / 41888.0, rel=2e-3)
    assert "Losses at the standards' load points, rated 4000 rpm, 100 Nm" in out


WRONG = {
    "rated": (["map", "drive.toml", "--rated", "4000"], "--rated 4000: must be a speed and a torque above 0 (rpm:Nm)"),
    "rated speed": (["map", "drive.toml", "--rated", "7000:9"], "beyond machine.max_speed_rpm = 6000 of drive.toml (rpm)"),
    "no such file": (["map", "driv.toml"], 'driv.toml: no such file. Did you mean "drive.toml"?'),
    "no range": (["map", "drive.toml", "--speed-rpm", "1:2"], "must be a range a:b:n (rpm)"),
    "words": (["map", "drive.toml", "--speed-rpm", "a:b:c"], "a range is two numbers and a whole number, a:b:n"),
    "no points": (["map", "drive.toml", "--torque-Nm", "-10:10:0"], "--torque-Nm -10:10:0: has 0 points; at least 1"),
    "falling": (["map", "drive.toml", "--torque-Nm", "10:-10:5"], "Write --torque-Nm -10:10:5."),
    "empty": (["map", "drive.toml", "--speed-rpm", "500:500:3"], "is empty: it begins where it ends (rpm)"),
    "not finite": (["map", "drive.toml", "--speed-rpm", "0:inf:3"], "the ends must be finite (rpm)"),
    "too fast": (["map", "drive.toml", "--speed-rpm", "0:7000:3"], "7000 is beyond machine.max_speed_rpm = 6000 of drive.toml"),
    "too many": (["map", "drive.toml", "--speed-rpm", "0:1:999", "--torque-Nm", "0:1:999"], "998001 points, more than 100000"),
    "quadrant": (["map", "drive.toml", "--quadrants", "5"], "must be numbers from 1 to 4 with commas between, or all"),
    "elsewhere": (["map", "drive.toml", "--quadrants", "3", "--speed-rpm", "1:2:2"], "the grid has no point there"),
    "key": (["map", "drive.toml", "--set", "machine.pole_pars=3"], 'Did you mean "pole_pairs"?'),
    "tuning": (["map", "drive.toml", "--set", "controller.tuning.voltage_us=1"], 'Did you mean "voltage_use"?'),
    "out": (["map", "drive.toml", "--out", "drive.toml"], "the results cannot be written"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_input_is_one_sentence_and_nothing_is_written(file, name):
    arguments, words = WRONG[name]
    status, out, err = called(*arguments)
    assert status == 2 and out == "" and words in err and err.count("\n") == 1, err
    assert left_in(".") == ["drive.toml"]


def test_all_that_is_wrong_with_a_grid_is_told_at_once(file):
    status, _, err = called("map", file, "--speed-rpm", "5:1:3", "--torque-Nm", "1:2:0", "--quadrants", "x")
    assert status == 2 and err.count("\n") == 3


def test_a_controller_that_does_not_follow_leaves_its_points_out_of_reach(file, tmp_path):
    (tmp_path / "idle.py").write_text(
        "from controllers import Command, Controller\n\n\nclass Idle(Controller):\n"
        "    def reset(self, setup):\n        pass\n\n    def step(self, measured):\n        return Command(0.5, 0.5, 0.5)\n"
    )
    own = ["--set", "controller={class='idle:Idle'}", "--set", "expect=[]", "--no-plot"]
    assert called("map", file, "--speed-rpm", 300, "--torque-Nm", 40, "--quiet", *own) == (0, "", "")
    (row,) = rows_of("results/drive/unreachable.csv")
    assert "the controller names no limit" in row["reason"] and float(row["torque_reached_Nm"]) < 0.0


def test_a_run_that_breaks_off_is_told_and_the_others_are_kept(file, tmp_path):
    (tmp_path / "fails.py").write_text(
        "from controllers import Command, Controller\n\n\nclass Fails(Controller):\n"
        "    def reset(self, setup):\n        pass\n\n    def step(self, measured):\n        if measured.speed_rpm > 400.0:\n"
        "            raise RuntimeError('too fast')\n"
        "        return Command(0.5, 0.5, 0.5)\n"
    )
    own = ["--set", "controller={class='fails:Fails'}", "--set", "expect=[]", "--no-plot"]
    status, out, err = called("map", file, "--speed-rpm", "300:500:2", "--torque-Nm", 40, *own)
    assert status == 3 and err == "" and "1 broke off, first 500 rpm, 40 Nm: " in out and "too fast" in out
    assert [row["status"] for row in rows_of("results/drive/map.csv")] == ["out_of_reach", "failed"]


# Stopped and gone on.


def lines_in(path):
    try:
        return path.read_text().count("\n")
    except OSError:
        return 0


def test_ctrl_c_keeps_what_was_done_and_the_next_call_goes_on(file, tmp_path):
    grid = ["--speed-rpm", "100:5000:40", "--torque-Nm", "-120:120:40", "--no-plot"]
    partial = tmp_path / "results" / "drive" / "map.partial"
    command = [sys.executable, "-m", "simcore", "map", str(file), *grid]
    started = subprocess.Popen(
        command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    limit = time.monotonic() + 60.0
    while lines_in(partial) < 20:
        assert started.poll() is None and time.monotonic() < limit, started.communicate()
        time.sleep(0.01)
    started.send_signal(signal.SIGINT)
    out, err = started.communicate(timeout=30.0)
    assert started.returncode == 130 and out == "" and "Traceback" not in err
    count = lines_in(partial) - 1
    assert f"{count} results are kept in results/drive/map.partial; the same call goes on from there." in err
    assert err.endswith(f"{SENTENCE}\n") and left_in(partial.parent) == ["map.partial"]
    # Other options are another map, which begins anew and says so.
    status, _, err = called("map", file, *SMALL, "--no-plot")
    assert status == 0 and f"held {count} points of another map, scenario or version; beginning anew." in err
    assert "map.partial" not in left_in(partial.parent)
