"""`drybench explain` and the lines after a run, as a user meets them: what is printed, what is read back, wrong input."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from simcore import Bench, load_scenario
from simcore.cli import main
from simcore.study.explain.explanation import as_dict, explain_recording
from simcore.study.explain.stored import read_recording

DRIVE = """\
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
dead_time_s = 2e-6
[supply]
voltage_V = 400
[load]
kind = "rig"
speed_rpm = 1000
[sensors.current]
offset_A = [1.5, 0.0, 0.0]
[controller]
mode = "torque"
[commands]
torque_Nm = [[0.0, 0.0], [0.02, 150.0]]
[run]
duration_s = 0.3
record_every = 1
"""


def drybench(*arguments):
    result = CliRunner().invoke(main, [*map(str, arguments)], catch_exceptions=False)
    return result.exit_code, result.stdout, result.stderr


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """=> folder with drive.toml, results/drive, and what the run printed."""
    folder = tmp_path_factory.mktemp("explained")
    (folder / "drive.toml").write_text(DRIVE)
    status, out, _ = drybench("run", folder / "drive.toml", "--out", folder / "results", "--no-plot")
    assert status == 0
    return folder, out


def test_a_run_ends_with_where_it_was_limited_and_what_ripples(results):
    folder, out = results
    lines = out.splitlines()
    at = next(k for k, line in enumerate(lines) if line.startswith("Limits bound: "))
    assert re.search(r"current 2\d(\.\d+)? ms to 300 ms", lines[at])
    # 1.5 p psi I = 0.36 Nm of the offset's vector of 1 A, more or less as the loop follows at 66.7 Hz.
    ripple = re.fullmatch(r"Torque ripple, steady at 1000 rpm: electrical order 1 \((0\.3\d) Nm\).*", lines[at + 1])
    assert ripple and "likely " in lines[at + 1] and "current sensor offset (a vector of 1 A)" in lines[at + 1]
    assert lines[at + 2] == f"More on limits and ripple: drybench explain {folder / 'results' / 'drive'}"
    assert lines[at + 3] == ""


@pytest.mark.parametrize("option", ["--quiet", "--json"])
def test_a_run_that_is_to_be_quiet_says_nothing_of_it(results, option, tmp_path):
    status, out, _ = drybench("run", results[0] / "drive.toml", "--out", tmp_path, "--no-plot", option)
    assert status == 0 and "ripple" not in out and "drybench explain" not in out


def test_the_explanation_tells_limits_orders_causes_and_guesses(results):
    status, out, err = drybench("explain", results[0] / "results" / "drive")
    assert (status, err) == (0, "")
    headings = [line for line in out.splitlines() if line and not line.startswith(" ")]
    assert headings[0] == "drive: where it was limited, and what its ripple says" and headings[1] == "Limits"
    assert headings[2].startswith("Orders from ") and "66.7 Hz electrical" in headings[2]
    assert headings[3] == "How these causes scale" and headings[-1] == "Switched on in the scenario"
    assert "machine.max_current_A = 300 A allows; torque 10" in out and "of 150 Nm asked; voltage margin 1" in out
    assert re.search(r"\n +1 +4 +[\d.]+ .*\n +switched on: current sensor offset\n", out)
    assert re.search(r"\n +6 +24 +[\d.]+ .*\n +switched on: dead time; others: ", out)
    assert "  dead time: volts by link voltage and carrier, not by speed or current" in out
    assert "dead time or forward drop of switches and diodes: 8 V a leg, as of 2 us of dead time; explains " in out
    assert out.endswith("Switched on in the scenario\n  current sensor offset: 1.5, 0, 0 A\n  dead time: 2e-06 s\n\n")
    assert all(line == line.rstrip() for line in out.splitlines())


def test_json_is_one_document_with_the_same(results):
    status, out, _ = drybench("explain", results[0] / "results" / "drive", "--json")
    told = json.loads(out)
    assert status == 0 and told["scenario"] == "drive" and told["limits"][-1]["name"] == "current"
    assert {one["cause"] for one in told["guesses_simulation"]} == {"dead_time", "current_offset"}
    assert {one["cause"] for one in told["guesses_measured"]} == {"dead_time", "current_offset"}
    assert set(told["switched_on"]) == {"dead_time", "current_offset"}
    (window,) = told["windows"]
    orders = {row["electrical"]: row for row in window["orders"]}
    assert orders[1.0]["causes"] == ["current_offset"] and orders[6.0]["mechanical"] == 24.0


@pytest.fixture(scope="module")
def live(results):
    return Bench(load_scenario(results[0] / "drive.toml")).run()


def test_what_is_read_back_is_explained_as_the_run_itself(results, live, tmp_path):
    expected = as_dict(explain_recording(live))
    folder = results[0] / "results" / "drive"
    for path in (folder, folder / "recording.npz", live.save(tmp_path / "kept.npz")):
        assert as_dict(explain_recording(read_recording(path))) == expected


def test_an_older_folder_s_names_of_limits_are_kept(results, tmp_path):
    folder = copied(results, tmp_path)
    metrics = json.loads((folder / "metrics.json").read_text())
    metrics["summary"]["binding_limit_codes"] = {"none": 0, "amperes": 1}
    (folder / "metrics.json").write_text(json.dumps(metrics))
    assert explain_recording(read_recording(folder)).spans[-1].name == "amperes"


def copied(results, tmp_path, without=()):
    folder = tmp_path / "copy"
    folder.mkdir()
    for path in (results[0] / "results" / "drive").iterdir():
        if path.name not in without:
            (folder / path.name).write_bytes(path.read_bytes())
    return folder


def refused(path):
    status, out, err = drybench("explain", path)
    assert (status, out) == (2, "") and err.count("\n") == 1
    return err


def test_what_is_no_result_is_refused_with_one_sentence(results, tmp_path):
    remedy = "Name a folder that drybench run wrote, such as results/torque_steps"
    assert refused("nowhere") == f"nowhere: no such folder. {remedy}.\n"
    (tmp_path / "empty").mkdir()
    assert "holds no recording.npz, so it is no result of a run" in refused(tmp_path / "empty")
    assert "no recording kept by drybench" in refused(results[0] / "drive.toml")
    np.savez(tmp_path / "other.npz", time_s=np.arange(3.0))
    assert "no recording kept by drybench" in refused(tmp_path / "other.npz")


@pytest.mark.parametrize("name", ["recording.npz", "metrics.json", "resolved.toml"])
def test_a_folder_that_lacks_a_file_names_it(results, tmp_path, name):
    assert f"holds no {name}" in refused(copied(results, tmp_path, without=(name,)))


@pytest.mark.parametrize("name", ["recording.npz", "metrics.json", "resolved.toml"])
def test_a_broken_file_is_told(results, tmp_path, name):
    folder = copied(results, tmp_path)
    (folder / name).write_bytes(b"{[ no")
    assert "its files cannot be read back (" in refused(folder) and "Run the scenario again." in refused(folder)


def test_a_scenario_that_can_no_longer_be_read_is_told_by_its_own_rule(results, tmp_path):
    folder = copied(results, tmp_path)
    text = (folder / "resolved.toml").read_text()
    (folder / "resolved.toml").write_text(text.replace("dead_time_s", "dead_tim_s"))
    assert "drive.toml: inverter.dead_tim_s" in refused(folder) and "dead_time_s" in refused(folder)


def test_an_older_recording_without_a_signal_is_told(results, tmp_path):
    folder = copied(results, tmp_path)
    with np.load(folder / "recording.npz") as kept:
        arrays = {name: kept[name] for name in kept.files if name != "angle_error_deg"}
    np.savez(folder / "recording.npz", **arrays)
    assert "holds no angle_error_deg, as an older version's. Run the scenario again." in refused(folder)


def test_rows_wider_than_a_tick_are_told_and_the_power_stage_not_guessed(results, tmp_path):
    set_every = ("--set", "run.record_every=4", "--out", tmp_path, "--no-plot")
    status, out, _ = drybench("run", results[0] / "drive.toml", *set_every)
    assert status == 0 and "likely current sensor offset (a vector of 1 A)" in out and "likely dead time" not in out
    told = drybench("explain", tmp_path / "drive")[1]
    assert "The power stage is not looked at: rows are wider than a tick (run.record_every = 1)." in told
    assert "Rows are farther apart than ticks: set run.record_every = 1 to guess from measured signals." in told
    slow = ("--set", "sensors.current.offset_A=[0,0,0]", "--set", "load.speed_rpm=400")
    out = drybench("run", results[0] / "drive.toml", *slow, *set_every)[1]
    assert "electrical order 6 (" in out and "; order 6 may be dead time." in out


def test_a_run_without_a_steady_window_says_so(results, tmp_path):
    short = ("--set", "load.speed_rpm=0", "--out", tmp_path, "--no-plot")
    out = drybench("run", results[0] / "drive.toml", *short)[1]
    assert "Limits bound: " in out and "Torque ripple" not in out
    told = drybench("explain", tmp_path / "drive")[1]
    assert told.count("There is no steady window to guess from.") == 2 and "Orders from" not in told


def test_a_run_that_broke_off_is_explained_as_far_as_it_went(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("stops.py").write_text(
        "from controllers import Command, Controller\n\n\nclass Stops(Controller):\n    def reset(self, setup):\n"
        "        pass\n\n    def step(self, measured):\n        if measured.time_s > 0.1:\n"
        "            raise RuntimeError('enough')\n"
        "        return Command(0.5, 0.5, 0.5)\n"
    )
    text = DRIVE.replace('mode = "torque"', 'class = "stops:Stops"').replace("[[0.0, 0.0], [0.02, 150.0]]", "0.0")
    Path("stopped.toml").write_text(text)
    status, out, _ = drybench("run", "stopped.toml", "--no-plot")
    assert status == 3 and "Torque ripple" not in out
    status, out, _ = drybench("explain", "results/stopped")
    assert status == 0 and "not reported by this controller" in out
