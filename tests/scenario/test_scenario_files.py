"""Files that cannot be read, and what their sentences say."""

import pytest
from scenario_texts import GOOD, problems_of, spoiled, write

from simcore.scenario import load_scenario


def one(path):
    (problem,) = problems_of(path)
    return problem


def test_a_missing_file_names_its_neighbour(tmp_path):
    write(tmp_path, GOOD, "torque_steps.toml")
    problem = one(tmp_path / "torque_step.toml")
    assert "torque_step.toml: no such file" in problem and 'Did you mean "torque_steps.toml"?' in problem


def test_a_folder_is_no_scenario(tmp_path):
    assert "is a folder" in one(tmp_path)


@pytest.mark.parametrize("text", ["", "  \n\n"])
def test_an_empty_file(tmp_path, text):
    assert "the file is empty" in one(write(tmp_path, text))


def test_text_that_is_not_utf8_names_the_line(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_bytes(b"a = 1\nb = 2\n# caf\xe9\n")
    assert "line 3: not UTF-8" in one(path)


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("[run]\nduration_s = \n", "line 2, column 14"),
        ("a = 1\na = 2\n", "line 2, column 6"),
        ("[run\n", "line 1, column 5"),
        ("a = 'x", "line 1, column"),
        ("a = 1979-99-99\n", "line 1"),
    ],
)
def test_text_that_is_not_toml_names_line_and_column(tmp_path, text, place):
    problem = one(write(tmp_path, text))
    assert f"bench.toml: {place.split(',')[0]}" in problem and "not TOML" in problem and "Mend" in problem


@pytest.mark.parametrize(
    "text",
    ["a = " + "[" * 5000, "a" + ".a" * 5000 + " = 1", "a = " + "9" * 5000, "a = " + "[" * 60 + "]" * 60],
    ids=["brackets", "dots", "digits", "deep"],
)
def test_monstrous_text_is_refused(tmp_path, text):
    assert "bench.toml" in one(write(tmp_path, text))


def test_a_byte_order_mark_is_no_fault(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert load_scenario(path).machine.pole_pairs == 4


def test_a_base_that_comes_back(tmp_path):
    write(tmp_path, 'base = "b.toml"\n', "a.toml")
    write(tmp_path, 'base = "a.toml"\n', "b.toml")
    problem = one(tmp_path / "a.toml")
    assert "b.toml: base comes back to itself (a.toml -> b.toml -> a.toml)" in problem


def test_a_base_that_is_missing(tmp_path):
    write(tmp_path, GOOD, "ground.toml")
    problem = one(write(tmp_path, 'base = "grund.toml"\n'))
    assert 'bench.toml: base = "grund.toml": no such file' in problem and '"ground.toml"' in problem


def test_a_base_that_is_no_name(tmp_path):
    assert "base must be the name of a file" in one(write(tmp_path, "base = 3\n"))


def test_a_part_that_is_missing_names_near_ones(tmp_path):
    write(tmp_path, {"kind": "constants"}, "motors/hoist.toml")
    problem = one(write(tmp_path, spoiled(machine={"part": "motors/hoists"})))
    assert 'machine.part = "motors/hoists": no such part' in problem and 'Did you mean "motors/hoist"' in problem


def test_a_part_with_headers_is_told_so(tmp_path):
    write(tmp_path, {"machine": {"kind": "constants"}}, "motors/hoist.toml")
    problem = one(write(tmp_path, spoiled(machine={"part": "motors/hoist"})))
    assert "has its keys below [machine]" in problem and "without header" in problem


def test_a_part_of_another_table_is_told_so(tmp_path):
    write(tmp_path, {"voltage_V": 700, "resistance_ohm": 0.1}, "supplies/quay.toml")
    problem = one(write(tmp_path, spoiled(machine={"part": "supplies/quay"})))
    assert 'the part "supplies/quay" holds keys of [supply]' in problem and "Name it in [supply]" in problem


def test_a_part_that_is_not_toml_names_its_own_file_and_line(tmp_path):
    write(tmp_path, "kind = \n", "motors/hoist.toml")
    problem = one(write(tmp_path, spoiled(machine={"part": "motors/hoist"})))
    assert "hoist.toml: line 1, column 8: not TOML" in problem


@pytest.mark.parametrize("part", [3, "", "  ", "a\0b"])
def test_a_part_that_is_no_name(tmp_path, part):
    problems = problems_of(write(tmp_path, spoiled(machine={"part": part})))
    assert any("machine.part" in p and "must be the name of a part" in p for p in problems)
