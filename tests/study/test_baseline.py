"""Baselines: what is kept, what counts as moved, and which files are refused. Rules of the tool, no outside source."""

import json
import math
import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner
from shared_benches import SMALL_PUMP

from simcore.cli import main
from simcore.scenario import load_scenario
from simcore.study.baseline.contents import Number, course, inputs, kept
from simcore.study.baseline.document import read_baseline

PUMP = SMALL_PUMP + """\
[[expect]]
signal = "iq_A"
measure = "mean"
from_s = 0.01
min = 4.0
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "small.toml").write_text(PUMP)
    return tmp_path


def drybench(*args):
    result = CliRunner().invoke(main, [str(arg) for arg in args])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def against(*args):
    return drybench("run", "--no-plot", "--against-baseline", *args)


def edited(change, name="small"):
    """Change the baseline's document in place by a function."""
    path = Path(f"{name}.baseline.json")
    document = json.loads(path.read_text())
    change(document)
    path.write_text(json.dumps(document))


def test_it_lies_beside_the_scenario_and_is_the_same_each_time(folder):
    status, out, err = drybench("baseline", "small.toml")
    assert (status, err) == (0, "") and re.fullmatch(r"Wrote small\.baseline\.json: \d+ numbers, 6 courses\.\n", out)
    text = Path("small.baseline.json").read_text()
    assert drybench("baseline", ".")[1] == out.replace("Wrote small.baseline.json", "small.baseline.json stays as it is")
    assert Path("small.baseline.json").read_text() == text and len(list(folder.iterdir())) == 2
    lines = text.splitlines()
    assert sum('"name": "mean of iq_A, from 10 ms"' in line for line in lines) == 1 and max(map(len, lines)) < 300
    document = json.loads(text)
    assert list(document) == ["drybench", "format", "scenario", "note", "input", "measures", "courses", "columns", "rows"]
    assert len(document["rows"]) == 51 and document["rows"][-1] == [0.02]
    assert list(document["input"]) == sorted(document["input"])


def test_nothing_moved(folder):
    drybench("baseline", "small.toml")
    status, out, _ = against("small.toml")
    assert status == 0 and re.search(r"Nothing moved: \d+ numbers and courses are what they were\.", out)


def test_what_moved_is_told_with_what_changed_in_the_input_and_ends_with_1(folder):
    drybench("baseline", "small.toml")
    status, out, err = against("small.toml", "--set", "controller.tuning.current_bandwidth_Hz=450")
    assert (status, err) == (1, "") and "Expectations: 1 of 1 met" in out
    assert "  Input: controller.tuning.current_bandwidth_Hz was 400, is 450\n" in out
    moved = next(line for line in out.splitlines() if "course of iq_A" in line)
    assert moved.startswith("  MOVED  course of iq_A, most from 1.2 ms") and " by " in moved and "allowed " in moved
    told = json.loads(Path("results/small/metrics.json").read_text())["baseline"]
    assert told["within"] is False and told["compared"] > 20
    assert told["changed_inputs"] == [{"key": "controller.tuning.current_bandwidth_Hz", "old": 400, "new": 450}]
    beyond = {move["name"] for move in told["moved"] if not move["within"]}
    assert "mean of iq_A, from 10 ms" in beyond and "mean of speed_rpm, whole run" not in beyond


def test_a_rewritten_baseline_tells_what_it_replaces(folder):
    drybench("baseline", "small.toml")
    Path("small.toml").write_text(PUMP.replace("= 400", "= 450"))
    _, out, _ = drybench("baseline", "small.toml")
    assert out.startswith("Wrote small.baseline.json") and "MOVED" in out and "was 400, is 450" in out
    assert against("small.toml")[0] == 0


def test_tolerances_in_the_file_count_and_what_a_person_allows_stays(folder):
    drybench("baseline", "small.toml")
    change = ("--set", "controller.tuning.current_bandwidth_Hz=400.4")
    assert against("small.toml", *change)[0] == 1

    def allow(document):
        for entry in document["measures"] + document["courses"]:
            entry["allowed" if entry["unit"] != "W" else "tolerance"] = 10.0

    edited(allow)
    status, out, _ = against("small.toml", *change)
    assert status == 0 and "numbers and courses moved at all" in out and "  within  " in out
    drybench("baseline", "small.toml")
    assert against("small.toml", *change)[0] == 0
    edited(lambda document: [entry.pop("allowed") for entry in document["measures"] + document["courses"]])
    assert against("small.toml", *change)[0] == 1


def test_the_scenario_s_own_signals_and_tolerance(folder):
    own = '[baseline]\nsignals = ["vd_V", "ia_A"]\ntolerance = 0.5\nstretches = 4\n'
    Path("small.toml").write_text(PUMP + own)
    drybench("baseline", "small.toml")
    document = json.loads(Path("small.baseline.json").read_text())
    assert [entry["signal"] for entry in document["courses"]] == ["vd_V", "ia_A"] and len(document["rows"]) == 5
    largest = max(abs(value) for row in document["rows"][:-1] for value in row[3:5])
    assert document["courses"][1]["tolerance"] == pytest.approx(0.5 * largest, rel=0.05)


def test_a_run_of_another_length_has_moved(folder):
    drybench("baseline", "small.toml")
    status, out, _ = against("small.toml", "--set", "run.duration_s=0.03")
    assert status == 1 and "length of the run" in out and "20 ms -> 30 ms" in out
    status, out, _ = against("small.toml", "--set", "baseline.stretches=10")
    assert status == 1 and "stretches of the courses" in out


def test_numbers_on_one_side_only_are_told(folder):
    drybench("baseline", "small.toml")
    Path("small.toml").write_text(PUMP.replace('"mean"\nfrom_s = 0.01', '"rms"'))
    status, out, _ = against("small.toml")
    assert status == 0
    assert "  Told: not in the baseline: rms of iq_A, whole run\n  Told: not in the run: mean of iq_A, from 10 ms\n" in out


def spoil(document, key, value):
    document[key] = value


REFUSED = {
    "other scenario": (lambda d: spoil(d, "scenario", "other"), 'is the baseline of "other", not of "small"'),
    "other format": (lambda d: spoil(d, "format", 9), "has the format 9 of another version, this one reads 1"),
    "other version": (lambda d: spoil(d, "drybench", "9.4.1"), "was written by drybench 9.4.1, this is"),
    "no rows": (lambda d: d.pop("rows"), "is no baseline of drybench"),
    "text": (lambda d: spoil(d["measures"][0], "tolerance", "much"), "is no baseline of drybench"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_baseline_that_does_not_fit_is_one_sentence(folder, name):
    change, told = REFUSED[name]
    drybench("baseline", "small.toml")
    edited(change)
    status, out, err = against("small.toml")
    assert (status, out) == (2, "") and err.startswith(f"small.baseline.json: {told}") and err.count("\n") == 1
    assert err.endswith("Write it anew: drybench baseline small.toml.\n") and not Path("results").exists()


def test_no_baseline_and_one_that_is_not_json(folder):
    told = "small.baseline.json: no such baseline. Write one: drybench baseline small.toml.\n"
    assert against("small.toml") == (2, "", told)
    Path("small.baseline.json").write_text("[1, ")
    assert "is no baseline of drybench" in against("small.toml")[2]


def test_a_template_has_one_a_case(folder):
    Path("small.toml").write_text(PUMP + "[template]\nload.speed_rpm = [100, 200]\n")
    status, out, _ = drybench("baseline", "small.toml")
    assert status == 0 and out.count("Wrote") == 2
    names = sorted(path.name for path in folder.glob("*.json"))
    assert names == ["small-speed_rpm=100.baseline.json", "small-speed_rpm=200.baseline.json"]
    status, out, _ = against("small.toml")
    assert status == 0 and "small-speed_rpm=200  met (1 of 1), nothing moved" in out
    assert sorted(path.name for path in Path("results").iterdir()) == ["small-speed_rpm=100", "small-speed_rpm=200"]


def test_a_run_that_cannot_finish_writes_none_and_wrong_input_neither(folder):
    Path("late.py").write_text(
        "from controllers import Command, Controller\n\n\nclass Late(Controller):\n"
        "    def reset(self, setup):\n        pass\n\n"
        "    def step(self, measured):\n        assert measured.time_s < 2e-3, 'too late'\n"
        "        return Command(0.5, 0.5, 0.5)\n"
    )
    Path("small.toml").write_text(PUMP.replace('mode = "current"', 'class = "late:Late"'))
    status, out, err = drybench("baseline", "small.toml")
    assert (status, out) == (3, "") and "too late" in err and err.endswith("Nothing was written.\n")
    Path("small.toml").write_text(PUMP + "[baselin]\n")
    assert drybench("baseline", "small.toml")[0] == 2 and drybench("baseline", "nowhere.toml")[0] == 2
    assert not list(folder.glob("*.json"))


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ('signals = ["torque"]', 'baseline.signals = ["torque"]: "torque" is no signal of numbers. Did you mean "torque_Nm"?'),
        ('signals = ["iq_A", "iq_A"]', "names a signal twice"),
        ("tolerance = -1", "baseline.tolerance = -1: must be at least 0"),
        ("stretches = 0", "must be at least 1"),
    ],
)
def test_a_wrong_baseline_table_is_one_sentence(folder, table, told):
    Path("small.toml").write_text(f"{PUMP}[baseline]\n{table}\n")
    status, _, err = drybench("baseline", "small.toml")
    assert status == 2 and told in err and err.count("\n") == 1


def test_a_converter_widens_what_is_allowed(folder):
    """Noise and a coarse converter: last digits flip bits, which a baseline must let pass on another processor."""
    noisy = "[sensors.current]\nnoise_rms_A = 0.1\nadc_bits = 8\nrange_A = 30\n"
    long = PUMP.replace("duration_s = 0.02", "duration_s = 1.0")
    tolerances = []
    for text in (long + noisy, long):
        Path("small.toml").write_text(text.replace('kind = "rig"\nspeed_rpm = 500', FREE))
        drybench("baseline", "small.toml")
        document = json.loads(Path("small.baseline.json").read_text())
        tolerances.append(next(entry["tolerance"] for entry in document["courses"] if entry["signal"] == "iq_A"))
    assert tolerances[0] > 100.0 * tolerances[1]


FREE = 'kind = "free"\ninertia_kg_m2 = 1e-3\nviscous_Nm_s = 1e-3'


class Fake(SimpleNamespace):
    def __getitem__(self, name):
        return np.asarray(self.values, dtype=float)


def fake(values, stretches=4, row_s=1e-3):
    rows = len(values)
    baseline = SimpleNamespace(signals=("x_A", "absent_A"), stretches=stretches)
    return Fake(
        values=values, signals=("x_A",), row_s=row_s, time_s=np.arange(rows) * row_s, closing_time_s=rows * row_s,
        scenario=SimpleNamespace(baseline=baseline),
    )  # fmt: skip


def test_a_course_keeps_what_is_least_and_greatest_in_each_stretch():
    values = [0, 1, 2, 3, 0, 0, 99, 0, 5, 5, 5, -7, math.nan, math.nan, math.nan, math.nan]
    found = course(fake(values))
    assert list(found.signals) == ["x_A"] and found.scale("x_A") == 99.0
    expected = [[0, 3], [0, 99], [-7, 5], [math.nan, math.nan]]
    np.testing.assert_array_equal(found.signals["x_A"], expected)
    np.testing.assert_allclose(found.edges_s, [0.0, 4e-3, 8e-3, 12e-3, 16e-3])


def test_a_short_run_has_as_many_stretches_as_rows():
    assert len(course(fake([1, 2, 3], stretches=50)).edges_s) == 4


def test_values_are_kept_to_nine_digits_of_their_scale():
    assert kept(123.4567890123, 150.0) == 123.456789 and kept(1e-13, 150.0) == 0.0
    assert kept(math.nan, 1.0) is None and kept(1.23456789012, 0.0) == 1.23456789
    assert str(kept(-1e-13, 1.0)) == "0.0" and Number(2.5, "A", 10.0).kept == 2.5


def test_inputs_are_dotted_and_their_paths_travel(folder):
    Path("loop.py").write_text("")
    Path("small.toml").write_text(PUMP.replace('mode = "current"', 'class = "loop:Own"'))
    found = inputs(load_scenario("small.toml"))
    assert found["controller.class"] == "loop.py:Own" and found["load.speed_rpm"] == 500
    assert not any(key.startswith(("expect", "title")) or key.endswith("name") for key in found)


def test_the_picture_shows_old_and_new(folder):
    from simcore import Bench
    from simcore.study.baseline.comparison import compare
    from simcore.study.baseline.figure import compose, draw_comparison

    drybench("baseline", "small.toml")
    scenario = load_scenario("small.toml", ["controller.tuning.current_bandwidth_Hz=500", "commands.id_A=[[0, 0], [0.01, 2]]"])
    comparison = compare(Bench(scenario).run(), read_baseline(scenario))
    figure = compose(comparison, "small")
    assert len(figure.axes) == 12
    _, verdict, changed, *_ = (text.get_text() for text in figure.texts)
    assert "moved beyond what is allowed" in verdict and "400 \N{RIGHTWARDS ARROW} 500" in changed
    draw_comparison(comparison, "small", folder / "baseline.png")
    assert (folder / "baseline.png").read_bytes()[:4] == b"\x89PNG"


def test_the_picture_lies_with_the_results_and_goes_with_the_next_run(folder):
    drybench("baseline", "small.toml")
    drybench("run", "--against-baseline", "--quiet", "small.toml")
    assert Path("results/small/baseline.png").is_file()
    drybench("run", "--quiet", "small.toml")
    assert not Path("results/small/baseline.png").exists()
