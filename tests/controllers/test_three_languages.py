"""One controller in Python, compiled, and in C: the same trajectory to the last bit, from the starters as they are written."""

import re
import shlex
import subprocess
import tomllib

import numpy as np
import pytest
from click.testing import CliRunner
from own_controllers import differing, need_gcc, run_class, write_scenario

from simcore import load_scenario
from simcore.cli import main
from simcore.loop.ensemble import run_ensemble

TUNING = "tuning = { kp_V_per_A = 1.5, ki_V_per_As = 1000.0 }"


def new(*arguments):
    result = CliRunner().invoke(main, ["new", *arguments])
    assert result.exit_code == 0, result.output
    return result.output


@pytest.fixture(scope="module")
def starters(tmp_path_factory):
    """Folder with a starter in each language; the one in C compiled by the command in its head."""
    folder = tmp_path_factory.mktemp("starters")
    with pytest.MonkeyPatch.context() as patched:
        patched.chdir(folder)
        new("controller", "in_python")
        new("controller", "in_numba", "--language", "compiled")
        assert "its head shows how to compile it" in new("controller", "in_c", "--language", "c")
    return folder


@pytest.fixture(scope="module")
def compiled_c(starters):
    need_gcc()
    command = re.search(r"^ \* +(gcc .*)$", (starters / "in_c.c").read_text(), re.M)[1]
    subprocess.run([*shlex.split(command), "-Wextra", "-Werror"], cwd=starters, check=True)
    return "in_c.so"


@pytest.fixture(scope="module")
def in_python(starters):
    return run_class(starters, "in_python:InPython", TUNING)


def test_the_starter_controls_the_current(in_python):
    late = in_python["iq_A"][-20:].mean()
    assert late == pytest.approx(150.0, rel=0.02)
    assert abs(in_python["controller_vq_V"]).max() > 10.0
    assert in_python["iq_reference_A"][-1] == 150.0


@pytest.mark.parametrize("in_python_shell", [False, True])
def test_compiled_gives_the_same_bits(starters, in_python, in_python_shell):
    recording = run_class(starters, "in_numba:InNumba", TUNING, in_python=in_python_shell)
    assert differing(recording, in_python) == []


@pytest.mark.parametrize("in_python_shell", [False, True])
def test_c_gives_the_same_bits(starters, in_python, compiled_c, in_python_shell):
    recording = run_class(starters, compiled_c, TUNING, in_python=in_python_shell)
    assert differing(recording, in_python) == []


def test_members_of_an_ensemble_give_the_same_bits(starters, in_python, compiled_c):
    names = [compiled_c, "in_numba:InNumba", compiled_c, "in_numba:InNumba", "in_python:InPython"]
    tunings = [TUNING, TUNING, TUNING.replace("1.5", "1.0"), TUNING.replace("1.5", "1.0"), TUNING]
    paths = [write_scenario(starters, names[k], tunings[k], file=f"member_{k}.toml") for k in range(5)]
    results = run_ensemble([load_scenario(path) for path in paths], take=lambda recording: recording["iq_A"].copy(), workers=2)
    assert [result.error for result in results] == [None] * 5
    for result, other in ((0, 1), (0, 4), (2, 3)):
        assert np.array_equal(results[result].value, results[other].value)
    assert np.array_equal(results[0].value, in_python["iq_A"])
    assert not np.array_equal(results[0].value, results[2].value)


@pytest.mark.parametrize("file", ["in_python.py", "in_numba.py", "in_c.c"])
def test_a_starter_names_its_use(starters, file):
    lines = re.findall(r"^(?:#| \*)   ?(\[.*|\w+ = .*)$", (starters / file).read_text(), re.M)
    told = tomllib.loads("\n".join(lines))
    assert told["controller"]["class"] in ("in_python:InPython", "in_numba:InNumba", "in_c.so")
    assert set(told["controller"]["tuning"]) == {"kp_V_per_A", "ki_V_per_As"} and told["commands"]["iq_A"]
