"""Starters in Python, compiled and in C pass the self-test; with two phases swapped each is found out."""

import re
import shlex
import shutil
import subprocess

import pytest
from click.testing import CliRunner

from simcore import load_scenario, self_test
from simcore.cli import main

SCENARIO = """\
[machine]
part = "motors/regression_e"
stator_resistance_ohm = 0.05
[inverter]
switching_frequency_Hz = 10000
[supply]
voltage_V = 400
[load]
kind = "rig"
speed_rpm = 500
[controller]
class = "{kind}"
tuning = {{ kp_V_per_A = 0.8, ki_V_per_As = 80.0 }}
[commands]
iq_A = 10.0
[run]
duration_s = 0.02
"""
BETA = r"ib_A - (\S*)ic_A\)(?= / \S*sqrt)", r"ic_A - \1ib_A)"  # the axis that tells phases b and c apart


@pytest.fixture(scope="module")
def starters(tmp_path_factory):
    folder = tmp_path_factory.mktemp("languages")
    with pytest.MonkeyPatch.context() as patched:
        patched.chdir(folder)
        for language in ("python", "compiled", "c"):
            assert CliRunner().invoke(main, ["new", "controller", f"in_{language}", "--language", language]).exit_code == 0
    return folder


def examined(folder, language, swapped):
    """=> findings of the starter, its currents of phases b and c swapped or not."""
    name = f"in_{language}"
    source = folder / (f"{name}.c" if language == "c" else f"{name}.py")
    text = source.read_text()
    if swapped:
        text, count = re.subn(*BETA, text)
        assert count == 1
        name = f"swapped_{language}"
        text = text.replace(f"in_{language}", name)
        source = source.with_name(name + source.suffix)
        source.write_text(text)
    if language != "c":
        kind = name + ":" + re.search(r"class (\w+)", text).group(1)
    else:
        kind = f"{name}.so"
        (command,) = re.findall(r"(gcc .*)", text)
        subprocess.run(shlex.split(command), cwd=folder, check=True)
    (folder / f"{name}.toml").write_text(SCENARIO.format(kind=kind))
    return self_test(load_scenario(folder / f"{name}.toml"))


@pytest.mark.parametrize("language", ["python", "compiled", "c"])
def test_a_starter_passes_and_its_swapped_twin_is_named(starters, language):
    if language == "c" and shutil.which("gcc") is None:
        pytest.skip("no gcc")
    findings = examined(starters, language, swapped=False)
    assert [one for one in findings if not one.passed] == []
    wrong = [one for one in examined(starters, language, swapped=True) if not one.passed]
    assert [one.cause for one in wrong] == ["phases_swapped"] and "measured currents only" in wrong[0].hint
