"""`drybench tune` as a user meets it: files, numbers, sentences, exit status."""

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from simcore.cli import main
from simcore.report.wording import CAUTION

SCENARIO = """\
title = "A loop to tune"
[machine]
kind = "constants"
pole_pairs = 4
stator_resistance_ohm = 0.02
inductance_d_H = 0.4e-3
inductance_q_H = 0.5e-3
magnet_flux_Wb = 0.07
max_current_A = 200
max_speed_rpm = 6000
[inverter]
switching_frequency_Hz = 10000
[supply]
kind = "source"
voltage_V = 400
[load]
{load}
[controller]
mode = "{mode}"
[controller.tuning]
current_bandwidth_Hz = {bandwidth}
[commands]
{commands}
[run]
duration_s = 0.05
"""
HEADER = ["frequency_Hz", "predicted_dB", "predicted_deg", "measured_dB", "measured_deg", "coherence"]


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty current folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def write(name="loop", *, mode="torque", bandwidth=500, commands="torque_Nm = 40.0", load='kind = "rig"\nspeed_rpm = 1500'):
    Path(f"{name}.toml").write_text(SCENARIO.format(mode=mode, bandwidth=bandwidth, commands=commands, load=load))
    return f"{name}.toml"


def tune(*args):
    """=> (exit status, standard output, error stream) in this process."""
    result = CliRunner().invoke(main, ["tune", *(str(arg) for arg in args)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def rows(path):
    with open(path, newline="") as file:
        return list(csv.DictReader(file))


def test_prediction_and_measurement_of_a_drive(folder):
    Path("results/loop").mkdir(parents=True)
    Path("results/loop/recording.npz").write_text("of a run")
    status, out, err = tune(write(), "--measure", "--for", "current_margin_deg=60", "--link-V", "360,400")
    assert (status, err) == (0, "")
    names = {path.name for path in Path("results/loop").iterdir()}
    assert names == {
        "tune.json", "response.csv", "response_current_d.csv", "response_current_q.csv", "response_current_both.csv",
        "response_torque.csv", "operating_range.csv", "response_current.png", "operating_range.png", "recording.npz",
    }  # fmt: skip
    document = json.loads(Path("results/loop/tune.json").read_text())
    loop = document["current_loop"]
    # kp T/L = 2 pi 500 x 50 us = 0.157: the edge of the bandwidth is 1/(2 pi T) = 3183 Hz without resistance and speed.
    assert loop["stability_edge_Hz"] == pytest.approx(3183.1, rel=0.02) and loop["stable"] is True
    assert loop["crossover_Hz"] == pytest.approx(500.0, rel=0.03) and 60.0 < loop["phase_margin_deg"] < 80.0
    assert loop["gain_margin_dB"] > 10.0 and loop["overshoot_percent"] < 1.0
    assert all(entry["agrees"] for entry in loop["agreement"].values()) and set(loop["agreement"]) == {"d", "q"}
    assert document["speed_loop"] is None and document["operating_range"]["worst"]["link_voltage_V"] in (360.0, 400.0)
    assert document["suggestions"][0]["phase_margin_deg"] == pytest.approx(60.0, abs=0.01)
    table = rows("results/loop/response.csv")
    assert list(table[0])[:6] == HEADER and len(table) > 20
    for row in table:
        if float(row["frequency_Hz"]) <= loop["crossover_Hz"]:
            assert abs(float(row["measured_dB"]) - float(row["predicted_dB"])) < 0.5
            assert abs(float(row["measured_deg"]) - float(row["predicted_deg"])) < 3.0
            assert float(row["coherence"]) > 0.99
    for words in ("Current loop", "phase margin", "Verdict: well damped", "Measured and predicted (q) agree"):
        assert words in out
    assert "Worst: " in out and "[controller.tuning]" in out and out.endswith(f"{CAUTION}\n")
    assert all(line == line.rstrip() for line in out.splitlines())


def test_speed_loop_with_pictures(folder):
    load = 'kind = "free"\ninertia_kg_m2 = 0.02\ntorque_Nm = 10.0'
    path = write(mode="speed", commands="speed_rpm = 1000.0", load=load)
    status, out, _ = tune(path, "--no-range")
    assert status == 0 and "Speed loop" in out
    loop = json.loads(Path("results/loop/tune.json").read_text())["speed_loop"]
    # kp = w J makes the crossover about w, 20 Hz by default; ki = kp w/4 takes atan(1/4) = 14 deg of 90.
    assert loop["crossover_Hz"] == pytest.approx(20.0, rel=0.05) and 65.0 < loop["phase_margin_deg"] < 76.0
    assert loop["overshoot_percent"] == pytest.approx(0.0, abs=0.1)
    assert loop["broken_at"] == "at the speed controller's torque request"
    assert Path("results/loop/response_speed.png").stat().st_size > 20_000
    assert not Path("results/loop/operating_range.png").exists()
    assert rows("results/loop/response_speed.csv")[0]["measured_dB"] == "nan"


def test_a_loop_that_swings_is_told_and_not_measured(folder):
    status, out, _ = tune(write(bandwidth=3600), "--measure", "--no-range", "--no-plot")
    assert status == 0 and "UNSTABLE: it swings by itself" in out
    assert "The current loop swings by itself: the current loop was not measured." in out
    loop = json.loads(Path("results/loop/tune.json").read_text())["current_loop"]
    assert loop["stable"] is False and loop["overshoot_percent"] is None and loop["phase_margin_deg"] < 0.0


def test_a_mode_without_a_loop(folder):
    status, out, _ = tune(write(mode="voltage", commands="vd_V = 5.0"), "--measure", "--no-plot")
    assert status == 0 and 'controller.mode = "voltage" closes no loop' in out
    document = json.loads(Path("results/loop/tune.json").read_text())
    assert document["current_loop"] is None and document["told"]


def test_an_own_controller_is_measured_without_prediction(folder):
    Path("own.py").write_text(
        "from controllers.foc import FieldOrientedController\nfrom controllers import Controller\n\n\n"
        "class Own(Controller):\n    def __init__(self):\n        self.inner = FieldOrientedController()\n\n"
        "    def reset(self, setup):\n        self.inner.reset(setup)\n\n"
        "    def step(self, measured):\n        return self.inner.step(measured)\n"
    )
    path = write(mode="current", commands="id_A = 0.0\niq_A = 50.0")
    text = Path(path).read_text()
    Path(path).write_text(text.replace("[controller]", '[controller]\nclass = "own:Own"'))
    status, out, _ = tune(path, "--measure", "--json")
    document = json.loads(out)
    assert status == 0 and document == json.loads(Path("results/loop/tune.json").read_text())
    loop = document["current_loop"]
    assert loop["source"] == "measured" and loop["crossover_Hz"] == pytest.approx(500.0, rel=0.03)
    assert document["told"] == ['controller.class = "own.py:Own" is not the built-in one: its loop cannot be predicted.']
    assert document["operating_range"] is None and rows("results/loop/response.csv")[0]["predicted_dB"] == "nan"


@pytest.mark.parametrize(
    ("args", "sentences"),
    [
        (["nowhere.toml"], ["nowhere.toml: no such file. Check the path."]),
        (
            ["loop.toml", "--for", "current_margin=60", "--at-s", "7", "--link-V", "-3"],
            ["--for current_margin=60: there is no such rule", "--at-s 7: must lie inside the run", "--link-V -3: must be"],
        ),
        (["loop.toml", "--set", "controller.tuning.current_bandwith_Hz=1"], ['Did you mean "current_bandwidth_Hz"?']),
        (["loop.toml", "--for", "speed_margin_deg=50"], ["--for speed_margin_deg: the scenario has no speed loop."]),
        (["loop.toml", "--for", "current_margin_deg=170"], ["cannot be reached here"]),
        (["loop.toml", "--out", "loop.toml"], ["the results cannot be written"]),
    ],
)
def test_wrong_input_writes_nothing(folder, args, sentences):
    write()
    before = sorted(path.name for path in folder.rglob("*"))
    status, out, err = tune(*args)
    assert (status, out) == (2, "") and all(sentence in err for sentence in sentences), err
    assert sorted(path.name for path in folder.rglob("*")) == before


def test_voltages_that_are_no_numbers(folder):
    status, _, err = tune(write(), "--link-V", "400,low")
    assert status == 2 and "give voltages with commas between" in err


def test_quiet_and_an_earlier_operating_point(folder):
    path = write(commands="torque_Nm = [[0.0, 20.0], [0.02, 80.0]]")
    assert tune(path, "--quiet", "--no-plot", "--no-range", "--at-s", "0.01") == (0, "", "")
    point = json.loads(Path("results/loop/tune.json").read_text())["operating_point"]
    assert point["torque_Nm"] == pytest.approx(20.0, abs=0.1) and point["at_s"] == 0.01
