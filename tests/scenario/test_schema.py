"""The schema for editors, the docs table, the starter files, and names shared with other rooms."""

import ast
import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from scenario_texts import FREE, good, spoiled, write

from simcore.scenario import ScenarioError, load_scenario
from simcore.scenario.index import keys
from simcore.scenario.schema import field_table, json_schema
from simcore.scenario.starter import write_header, write_starter

EXAMPLES = {
    "good": {},
    "free": {"load": FREE},
    "part only": {"machine": {"part": "motors/yard_tractor"}, "inverter": {"part": "inverters/sic_800v"}},
    "part and keys": {"machine": {"part": "motors/yard_tractor", "max_current_A": 300}},
    "base": {"base": "other.toml"},
    "ramp": {"load__speed_rpm": {"points": [[0.0, 0.0], [1.0, 5.0]], "shape": "linear"}},
    "constant": {"load__speed_rpm": 5},
    "devices": {"inverter__devices": {"kind": "mosfet", "on_resistance_ohm": [[25, 1e-3], [150, 2e-3]]}},
    "gates": {"inverter__gate_settings": {"brisk": {"energy_on_J": [[0, 0.1e-3], [100, 1e-3]]}}},
    "data sheet": {"machine__data_sheet": {"poles": 8, "resistance_ohm": {"line_line": 0.02}, "connection": "delta"}},
    "tuning": {"controller__tuning": {"anything": [1, "x"]}},
}
WRONG = {
    "unknown key": {"inverter__dead_tme_s": 1e-6},
    "unknown table": {"invertr": {}},
    "text": {"supply__voltage_V": "700"},
    "range": {"supply__voltage_V": -1},
    "word": {"inverter__model": "avaraged"},
    "profile": {"load__speed_rpm": "fast"},
    "kind": {"load__kind": "vehicle"},
    "number without a basis": {"machine__data_sheet": {"resistance_ohm": 0.02}},
}


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_schema_takes_good_files(name):
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.validate(spoiled(**EXAMPLES[name]), json_schema())


@pytest.mark.parametrize("name", WRONG)
def test_the_schema_marks_wrong_files(name):
    jsonschema = pytest.importorskip("jsonschema")
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(spoiled(**WRONG[name]), json_schema())


def test_the_schema_describes_each_key_and_is_plain_json():
    text = json.dumps(json_schema(), allow_nan=False)
    assert '"title": "drybench scenario"' in text
    for key in keys():
        assert f'"{key.name}"' in text and key.field.description, key.dotted


def test_the_schema_itself_is_valid():
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.Draft202012Validator.check_schema(json_schema())


def test_every_key_ends_in_its_unit():
    # The rule of the language: every physical key ends in its unit; a basis stands below such a key.
    for key in keys():
        if key.unit and key.unit != "as signal":
            assert key.name.endswith(f"_{key.unit}") or key.table[-1].endswith(f"_{key.unit}"), key.dotted
        elif key.table != ("expect",):
            ends = (
                "_V",
                "_A",
                "_Nm",
                "_rpm",
                "_Hz",
                "_s",
                "_ohm",
                "_H",
                "_F",
                "_Wb",
                "_W",
                "_J",
                "_K",
                "_degC",
                "_deg",
            )
            assert not key.name.endswith(ends) or key.table[-1] == "columns", key.dotted


def test_the_docs_table_has_a_row_for_each_key():
    rows = field_table()
    assert all(set(row) == {"key", "kind", "unit", "range", "default", "meaning"} and row["meaning"] for row in rows)
    by_key = {row["key"]: row for row in rows}
    assert by_key["inverter.dead_time_s"]["unit"] == "s" and by_key["inverter.dead_time_s"]["default"] == "0.0"
    assert by_key["load.mass_kg"]["kind"] == "vehicle" and by_key["load.mass_kg"]["default"] == "required"
    assert by_key["inverter.model"]["range"] == '"averaged" or "switched"'


def test_a_starter_scenario_is_read_again(tmp_path):
    path = write_starter("scenario", "first", tmp_path)
    document = tomllib.loads(path.read_text(encoding="utf-8"))
    # The shipped parts are another room's: here the keys of a good machine and inverter stand for them.
    document["machine"], document["inverter"] = good()["machine"], good()["inverter"] | document["inverter"]
    del document["inverter"]["part"]
    scenario = load_scenario(write(tmp_path, document, "second.toml"))
    assert scenario.controller.mode == "torque" and len(scenario.expect) == 2
    text = path.read_text(encoding="utf-8")
    assert 'part = "motors/yard_tractor"' in text and 'part = "inverters/sic_800v"' in text and "drybench run first" in text


@pytest.mark.parametrize("language", ["python", "compiled"])
def test_a_starter_controller_is_python_and_used_as_its_comment_says(tmp_path, language):
    path = write_starter("controller", "my_control", tmp_path, language)
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    assert [node.name for node in tree.body if isinstance(node, ast.ClassDef)] == ["MyControl"]
    lines = [line.lstrip("# ") for line in text.splitlines() if line.startswith("#   ")]
    named = tomllib.loads("\n".join(lines))
    scenario = load_scenario(write(tmp_path, spoiled(controller=named["controller"], commands={})))
    assert scenario.controller.file == path and scenario.controller.class_name == "MyControl"
    assert "{klass}" not in text


@pytest.mark.parametrize(
    ("kind", "name", "words"),
    [
        ("controller", "my-control", "no name for a Python module"),
        ("controller", "class", "no name for a Python module"),
        ("controller", "1st", "no name for a Python module"),
        ("controller", "../own", "no name for a Python module"),
        ("controller", "controllers", "a shipped package"),
        ("controller", "", "no name for a Python module"),
        ("scenario", "../own", "no file name"),
        ("scenario", "a/b", "no file name"),
        ("scenario", "", "no file name"),
        ("scenario", "a\0b", "no file name"),
        ("scenario", "x" * 500, "no file name"),
        ("scenarios", "own", 'Did you mean "scenario"?'),
    ],
)
def test_a_starter_with_a_bad_name_is_refused_and_nothing_written(tmp_path, kind, name, words):
    with pytest.raises(ScenarioError, match=".") as caught:
        write_starter(kind, name, tmp_path)
    assert words in str(caught.value) and list(tmp_path.iterdir()) == []


def test_a_starter_in_c_comes_with_its_header(tmp_path):
    path = write_starter("controller", "my_control", tmp_path, "c")
    assert sorted(file.name for file in tmp_path.iterdir()) == ["drybench_controller.h", "my_control.c"]
    text, header = path.read_text(encoding="utf-8"), (tmp_path / "drybench_controller.h").read_text(encoding="utf-8")
    assert 'class = "my_control.so"' in text and "-o my_control.so my_control.c" in text and "{" + "class" not in text
    # An older header of ours is replaced, a file of somebody else's is not.
    (tmp_path / "drybench_controller.h").write_text(header[:200])
    assert write_header(tmp_path).read_text(encoding="utf-8") == header
    (tmp_path / "drybench_controller.h").write_text("mine")
    for write_one in (lambda: write_header(tmp_path), lambda: write_starter("controller", "second", tmp_path, "c")):
        with pytest.raises(ScenarioError, match="was not made by drybench"):
            write_one()
    assert (tmp_path / "drybench_controller.h").read_text() == "mine" and not (tmp_path / "second.c").exists()


def test_a_starter_in_an_unknown_language_is_refused(tmp_path):
    with pytest.raises(ScenarioError, match='"pyhton" is no language of a starter. Did you mean "python"?'):
        write_starter("controller", "my_control", tmp_path, "pyhton")
    assert list(tmp_path.iterdir()) == []


def test_a_starter_overwrites_nothing(tmp_path):
    (tmp_path / "own.toml").write_text("mine")
    with pytest.raises(ScenarioError, match="exists already"):
        write_starter("scenario", "own", tmp_path)
    assert (tmp_path / "own.toml").read_text() == "mine"


def test_a_starter_in_a_missing_folder_gets_a_sentence(tmp_path):
    with pytest.raises(ScenarioError, match="cannot be written"):
        write_starter("scenario", "own", tmp_path / "nowhere")


def test_signals_and_measures_are_those_that_other_rooms_make():
    from simcore.measure import MEASURES
    from simcore.scenario import signals

    assert set(signals.MEASURES) == set(MEASURES)
    derive = pytest.importorskip("simcore.loop.derive")
    assert set(signals.SIGNALS) == set(derive.DERIVED)


def test_the_reader_is_imported_without_heavy_libraries():
    heavy = "('numpy', 'scipy', 'numba', 'matplotlib')"
    code = f"import sys, simcore.scenario.reader; print([m for m in {heavy} if m in sys.modules])"
    root = Path(__file__).resolve().parents[2]
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=root).stdout
    assert out.strip() == "[]"
