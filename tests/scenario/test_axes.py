"""`--vary`: ranges, lists, and one sentence for each mistake."""

import pytest

from simcore.scenario import ScenarioError
from simcore.scenario.axis import read_axes, read_axis

GOOD = {
    "a.b=200:1200:6": (200, 400, 600, 800, 1000, 1200),
    "a.b=0.1:0.5:5": (0.1, 0.2, 0.3, 0.4, 0.5),
    "a.b = -1e-6:1e-6:3": (-1e-6, 0.0, 1e-6),
    "a.b=3:1:3": (3, 2, 1),
    "a.b=1:2:3": (1.0, 1.5, 2.0),
    "a.b=[1, 2.5, 7]": (1, 2.5, 7),
    "a.b=[sine, svpwm]": ("sine", "svpwm"),
    'a.b=["sine"]': ("sine",),
    "a.b=[true, false]": (True, False),
}


@pytest.mark.parametrize("text", GOOD)
def test_ranges_and_lists(text):
    axis = read_axis(text)
    assert axis.key == "a.b" and axis.values == GOOD[text]
    assert [type(value) for value in axis.values] == [type(value) for value in GOOD[text]]


def test_a_range_of_many_points_is_even_and_ends_where_it_says():
    values = read_axis("a.b=0:0.7:701").values
    assert values[0] == 0.0 and values[-1] == 0.7 and values[300] == 0.3
    assert all(0.000999 < b - a < 0.001001 for a, b in zip(values, values[1:], strict=False))


BAD = {
    "a.b": "has no equals sign. Write --vary table.key=200:1200:11",
    "a.b=5": "is neither a range a:b:n nor a list",
    "a.b=1:2": "is neither a range a:b:n nor a list",
    "a.b=1:two:3": "two numbers and a whole number",
    "a.b=1:2:2.5": "two numbers and a whole number",
    "a.b=1:2:1": "a range has from 2 to",
    "a.b=1:nan:3": "must be finite",
    "a.b=2:2:3": "begins where it ends",
    "a.b=[]": "the list is empty",
    "a.b=[[1, 2], [3, 4]]": "more than plain values",
    "a.b=[1, 2, 1.0]": "holds 1 more than once",
    "a b=1:2:3": "not a dotted name",
    "=1:2:3": "not a dotted name",
    "base=[1, 2]": "base cannot be set from outside",
    "a.b=[1, {]": "not TOML",
    "a.b=[1, 2": "the list does not end. Close it with ]",
    "a.b=[torque, speed": "the list does not end",
    "a.b=1:2:100000000": "points. Give fewer points",
}


@pytest.mark.parametrize("text", BAD)
def test_one_sentence_for_each_mistake(text):
    with pytest.raises(ScenarioError) as refused:
        read_axis(text)
    (problem,) = refused.value.problems
    assert problem.startswith("--vary") and BAD[text] in problem


def test_several_axes_are_read_together_and_all_mistakes_told():
    assert [axis.key for axis in read_axes(["a.b=1:2:3", "c.d=[1]"])] == ["a.b", "c.d"]
    with pytest.raises(ScenarioError) as refused:
        read_axes(["a.b=1:2:3", "c.d", "a.b=[4]", "e=1:2:1000000"])
    assert len(refused.value.problems) == 3
    assert any("given 2 times" in problem for problem in refused.value.problems)
    assert any("3000000 points" in problem or "4000000 points" in problem for problem in refused.value.problems)
