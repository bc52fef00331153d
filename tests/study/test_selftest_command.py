"""`drybench selftest` as a user meets it: what is printed, which exit status."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

import simcore
from simcore.cli import main
from simcore.report.wording import CAUTION

FOLDER = Path(simcore.__file__).resolve().parent.parent / "scenarios"
RESOLVER = 'sensors.position={kind="resolver",pole_pairs=4,mounting_offset_deg=10}'


def selftest(*args):
    """=> (exit status, standard output, error stream)."""
    result = CliRunner().invoke(main, ["selftest", *map(str, args)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def test_a_shipped_scenario_is_right():
    status, out, err = selftest(FOLDER / "known_answer.toml")
    assert (status, err) == (0, "")
    assert out.startswith("known_answer: Least current") and "Self-test of FieldOrientedController" in out
    assert out.count("\n  right ") == 9 and "No check wrong, 9 right.\n" in out and out.endswith(f"{CAUTION}\n")


def test_a_mounting_offset_shows_with_the_sensors_only():
    assert selftest(FOLDER / "known_answer.toml", "--set", RESOLVER)[0] == 0
    status, out, _ = selftest(FOLDER / "known_answer.toml", "--set", RESOLVER, "--with-sensors")
    assert status == 1 and "WRONG       angle zero" in out and "+10.0 deg" in out
    assert "              expected 0 deg +- 1\n" in out and "1.5 % of the torque and 17 % stray id.\n" in out
    assert "the scenario's sensors" in out and "2 of 9 checks wrong.\n" in out


def test_what_needs_what_is_not_there_stands_on_one_line():
    status, out, _ = selftest(FOLDER / "own_controller.toml")
    assert status == 1
    waiting = next(line for line in out.splitlines() if line.startswith("  not judged"))
    assert "vector follows the rotor, angle zero" in waiting and waiting.endswith(": needs a loop that settles")


def test_json_is_one_document():
    status, out, err = selftest(FOLDER / "own_controller.toml", "--json")
    document = json.loads(out)
    assert (status, err) == (1, "") and document["status"] == "failed" and document["wrong"] == 1
    first = document["findings"][0]
    assert first["check"] == "current settles" and first["cause"] == "no_feedback" and first["value"] is None


@pytest.mark.parametrize(
    ("args", "status", "sentence"),
    [
        (("nowhere.toml",), 2, "nowhere.toml: no such file. Check the path.\n"),
        ((FOLDER / "known_answer.toml", "--set", "controller.tuning.bandwith=3"), 2, "has no such key"),
        ((FOLDER / "known_answer.toml", "--set", "controller.mode=open_loop", "--set", "commands.voltage_V=1"), 2, "no rotor"),
    ],
    ids=["no file", "tuning", "open loop"],
)
def test_wrong_input_is_one_sentence(args, status, sentence):
    found, out, err = selftest(*args)
    assert (found, out) == (status, "") and sentence in err and "Traceback" not in err


def test_a_controller_that_cannot_begin_could_not_finish(tmp_path):
    (tmp_path / "mine.py").write_text(
        "from controllers import Command, Controller\n\n\nclass Mine(Controller):\n    def reset(self, setup):\n"
        "        raise RuntimeError('no memory card')\n\n    def step(self, measured):\n        return Command(0.5, 0.5, 0.5)\n"
    )
    text = (FOLDER / "known_answer.toml").read_text().replace("[controller]\n", '[controller]\nclass = "mine:Mine"\n')
    (tmp_path / "mine.toml").write_text(text.replace("[controller.tuning]\ncurrent_bandwidth_Hz = 1000\n", ""))
    status, out, err = selftest(tmp_path / "mine.toml")
    assert (status, out) == (3, "") and "Mine.reset raised RuntimeError" in err and "no memory card" in err
