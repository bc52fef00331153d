"""`drybench cycle` as a user meets it: what is printed and written, which exit status."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from cycle_cars import CAR, car
from shared_benches import merge

import simcore.study.cycle.trips as trips
from simcore import Bench
from simcore.cli import main
from simcore.report.interruption import SENTENCE
from simcore.report.wording import CAUTION
from simcore.scenario.toml_text import write_toml

HOP = "time_s,speed_kmh\n0,0\n1,0\n4,30\n6,30\n9,0\n11,0\n"

HALF = """from controllers import Command, Controller


class Half(Controller):
    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(0.5, 0.5, 0.5)
"""
LATE = """from controllers import CompiledController


class Late(CompiledController):
    def prepare(self, setup, p, s):
        pass

    @staticmethod
    def update(p, s, m, c):
        c.duty_a = c.duty_b = c.duty_c = 0.5 if m.time_s < 5.0 else 2.0
"""


def own(name):
    """The car with a controller of its own."""
    mine = merge(CAR, {"controller": {"class": name}})
    del mine["controller"]["tuning"]
    return mine


@pytest.fixture(scope="module", autouse=True)
def kernels():
    """Loaded before, so that no note about compiling stands on the error stream."""
    Bench(car()).load_kernels()


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "hop.csv").write_text(HOP)
    (tmp_path / "car.toml").write_text(write_toml(CAR))
    return tmp_path


def cycle(*args):
    """=> (exit status, standard output, error stream)."""
    result = CliRunner().invoke(main, ["cycle", *map(str, args)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def results(folder):
    there = folder / "results"
    return sorted(path.name for path in there.rglob("*")) if there.exists() else []


def test_a_trip_is_told_and_kept(folder):
    status, out, err = cycle("car.toml", "--cycle", "hop.csv", "--mode", "both")
    assert (status, err) == (0, "") and out.endswith(f"{CAUTION}\n")
    assert "map less loop" in out and "kWh/100 km" in out and "1 % less" in out
    assert results(folder) == ["car", "cycle.json", "cycle.npz", "cycle.png", "cycle_energy.png", "cycle_map.npz"]
    told = json.loads((folder / "results" / "car" / "cycle.json").read_text())
    assert told["cycle"]["name"] == "hop" and told["mode"] == "loop" and told["ended"] is None
    assert told["assumptions"]["price_USD_per_kWh"]["value"] == 99.0
    assert (folder / "results" / "car" / "cycle.png").read_bytes()[:4] == b"\x89PNG"


def test_json_and_quiet(folder):
    status, out, err = cycle("car.toml", "--cycle", "hop.csv", "--json", "--no-plot")
    assert (status, err) == (0, "") and json.loads(out)["distance_km"] == pytest.approx(0.0417, abs=1e-3)
    assert cycle("car.toml", "--cycle", "hop.csv", "--quiet", "--no-plot", "--mode", "map") == (0, "", "")
    # The loop's files of before are gone: a result folder holds one result.
    assert results(folder) == ["car", "cycle.json", "cycle.npz"]


def test_a_cycle_named_in_the_scenario_lies_beside_it(folder):
    (folder / "mine").mkdir()
    (folder / "mine" / "hop.csv").write_text(HOP)
    (folder / "mine" / "named.toml").write_text(write_toml(merge(CAR, {"cycle": {"name": "hop.csv"}})))
    (folder / "hop.csv").unlink()
    assert cycle("mine/named.toml", "--quiet", "--no-plot", "--repeat", "2")[0] == 0
    told = json.loads((folder / "results" / "named" / "cycle.json").read_text())
    assert told["cycle"]["name"] == "hop x 2" and told["duration_s"] == pytest.approx(22.0)


def test_an_empty_battery_keeps_the_record_and_says_so_with_three(folder):
    status, out, _ = cycle(
        "car.toml", "--cycle", "hop.csv", "--set", "supply.state_of_charge=0.1", "--set", "supply.capacity_Ah=0.05", "--no-plot"
    )
    assert status == 3 and "the battery is empty" in out
    told = json.loads((folder / "results" / "car" / "cycle.json").read_text())
    assert told["ended"] == "empty" and 1.0 < told["duration_s"] < 6.0
    rows = np.load(folder / "results" / "car" / "cycle.npz")
    assert rows["time_s"][-1] < told["duration_s"] and len(rows["speed_kmh"]) > 5


def test_a_run_that_breaks_off_keeps_what_was_driven(folder):
    (folder / "late.py").write_text(LATE)
    (folder / "late.toml").write_text(write_toml(own("late:Late")))
    status, out, _ = cycle("late.toml", "--cycle", "hop.csv", "--no-plot")
    told = json.loads((folder / "results" / "late" / "cycle.json").read_text())
    assert status == 3 and "a duty of 2" in out and told["ended"].startswith("Late gave a duty of 2 at tick")
    assert told["duration_s"] == pytest.approx(5.0, abs=0.011)
    assert told["tracking_error_kmh"]["max"] > 20.0


WRONG = {
    "no such cycle": (("--cycle", "wltc_class3"), 'no such cycle. Did you mean "wltc_class3b"?'),
    "no cycle": ((), "cycle.name: no cycle is named"),
    "no repetition": (("--cycle", "hop.csv", "--repeat", "0"), "--repeat 0: must be at least 1"),
    "a rig": (("--cycle", "hop.csv", "--set", 'load={kind="rig",speed_rpm=100.0}'), 'load.kind = "rig"'),
    "mains": (
        ("--cycle", "hop.csv", "--set", 'supply={kind="rectifier",line_voltage_V=400.0,resistance_ohm=0.2}'),
        'supply.kind = "rectifier"',
    ),
    "both kinds of road load": (("--cycle", "hop.csv", "--set", "load.drag_area_m2=0.6"), "drag_area_m2"),
    "fading the wrong way": (
        ("--cycle", "hop.csv", "--set", "driver.regeneration.full_above_kmh=1.0"),
        "driver.regeneration.full_above_kmh = 1.0: must not lie below none_below_kmh",
    ),
    "a driver without bandwidth": (
        ("--cycle", "hop.csv", "--set", "driver.speed_bandwidth_Hz=0.0"), "driver.speed_bandwidth_Hz = 0.0",
    ),
    "a file that holds too much": (("--cycle", "bad.csv"), "bad.csv: point 1: speed_kmh = -5 must not be negative"),
    "no folder": (("--cycle", "hop.csv", "--out", "hop.csv"), "the results cannot be written"),
}  # fmt: skip


@pytest.mark.parametrize("what", WRONG)
def test_wrong_input_is_said_and_nothing_written(folder, what):
    arguments, words = WRONG[what]
    (folder / "bad.csv").write_text("time_s,speed_kmh\n0,0\n1,-5\n2,0\n")
    before = sorted(folder.rglob("*"))
    status, out, err = cycle("car.toml", *arguments)
    assert (status, out) == (2, "") and words in err
    assert sorted(folder.rglob("*")) == before


def test_a_controller_in_python_is_sent_to_the_map(folder):
    (folder / "half.py").write_text(HALF)
    (folder / "half.toml").write_text(write_toml(own("half:Half")))
    status, _, err = cycle("half.toml", "--cycle", "hop.csv")
    assert status == 2 and "Half steps in Python; a cycle in the loop needs a compiled controller" in err


def test_ctrl_c_leaves_nothing(folder, monkeypatch):
    def pressed(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(trips, "figures", pressed)
    status, out, err = cycle("car.toml", "--cycle", "hop.csv")
    assert (status, out) == (130, "") and SENTENCE in err and results(folder) == []
