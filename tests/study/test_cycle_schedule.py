"""Cycles from files: what is read, and one sentence for each thing that is wrong."""

import numpy as np
import pytest

from simcore import ScenarioError
from simcore.study.cycle.schedule import Cycle, load_cycle, read_cycle, shipped_cycles


def written(folder, *lines, head="time_s,speed_kmh"):
    path = folder / "my_round.csv"
    path.write_text("\n".join([head, *lines]) + "\n")
    return path


def problems_of(path):
    with pytest.raises(ScenarioError) as caught:
        read_cycle(path)
    return caught.value.problems


def test_own_cycle_with_remarks_slope_and_other_columns(tmp_path):
    path = written(
        tmp_path, "10,0,up,2", "", "# a remark", "12,7.2,on,2", "15,0,halt,-1", head="time_s,speed_kmh,word,grade_percent"
    )
    cycle = read_cycle(path)
    assert cycle.name == "my_round"
    assert cycle.time_s.tolist() == [0.0, 2.0, 5.0]
    assert cycle.grade_percent.tolist() == [2.0, 2.0, -1.0]
    assert cycle.speed_at(1.0) == pytest.approx(1.0)
    assert cycle.distance_km == pytest.approx((2.0 * 2.0 / 2.0 + 3.0 * 2.0 / 2.0) / 1e3)


BAD = {
    "time that does not rise": (["0,0", "2,5", "2,6"], "point 2: time_s = 2 does not come after 2"),
    "time that falls": (["0,0", "2,5", "1,6"], "point 2: time_s = 1 does not come after 2"),
    "a negative speed": (["0,0", "1,-5", "2,0"], "point 1: speed_kmh = -5 must not be negative"),
    "no number": (["0,0", "1,nan", "2,0"], 'point 1: speed_kmh is "nan", not a finite number'),
    "an infinite speed": (["0,0", "1,inf", "2,0"], 'point 1: speed_kmh is "inf", not a finite number'),
    "a word": (["0,0", "1,fast", "2,0"], 'point 1: speed_kmh is "fast", not a finite number'),
    "an empty cell": (["0,0", "1,", "2,0"], "point 1: speed_kmh is empty, not a finite number"),
    "a short line": (["0,0", "1", "2,0"], "point 1: speed_kmh is empty, not a finite number"),
    "a gap": ([*(f"{k},5" for k in range(20)), "25,5"], "point 20: time_s = 25 lies 6 s after the one before, the others 1 s"),
    "one point": (["0,0"], "holds 1 points; a cycle needs two or more"),
    "metres a second in mm": (["0,0", "1,5000", "2,0"], "point 1: speed_kmh = 5000 is beyond 500"),
    "milliseconds": (["0,0", "2000000,5"], "lasts 2e+06 s, at most 1e+06"),
}


@pytest.mark.parametrize("what", BAD)
def test_a_sentence_says_what_is_wrong(tmp_path, what):
    lines, words = BAD[what]
    (problem,) = problems_of(written(tmp_path, *lines))
    assert words in problem
    assert "my_round.csv: " in problem and problem.endswith(".")


def test_ramps_of_any_length_are_no_gap(tmp_path):
    assert read_cycle(written(tmp_path, "0,0", "10,50", "300,50", "310,0")).duration_s == 310.0


def test_all_problems_at_once_but_not_hundreds(tmp_path):
    problems = problems_of(written(tmp_path, *(f"{k},{-k - 1}" for k in range(30))))
    assert len(problems) == 6 and "25 more" in problems[-1]


def test_a_column_that_lacks_is_named(tmp_path):
    (problem,) = problems_of(written(tmp_path, "0,0", "1,1", head="time_s,speed_kph"))
    assert "has no column speed_kmh" in problem and 'Did you mean "speed_kph"?' in problem


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(ScenarioError, match="no such file"):
        load_cycle("nothing.csv", tmp_path)


def test_a_name_that_is_none_gets_a_hint():
    with pytest.raises(ScenarioError, match='Did you mean "wltc_class3b"'):
        load_cycle("wltc_class3")
    with pytest.raises(ScenarioError, match="Known are nedc, port_shift, wltc_class3b"):
        load_cycle("udds")
    assert shipped_cycles() == ["nedc", "port_shift", "wltc_class3b"]


def test_repeated_goes_on_where_it_ended():
    once = Cycle("hill", np.array([0.0, 10.0, 20.0]), np.array([0.0, 36.0, 0.0]))
    twice = once.repeated(2)
    assert twice.time_s.tolist() == [0.0, 10.0, 20.0, 30.0, 40.0]
    assert twice.distance_km == pytest.approx(2.0 * once.distance_km)
    assert twice.name == "hill x 2"


def test_repeated_with_a_jump_keeps_the_time_rising():
    once = Cycle("ramp", np.array([0.0, 10.0]), np.array([0.0, 36.0]))
    twice = once.repeated(3)
    assert np.all(np.diff(twice.time_s) > 0.0)
    assert twice.distance_km == pytest.approx(3.0 * once.distance_km, rel=1e-3)
