"""One controller in three languages, from the starters as they are written: the same measured loop, by its references and at
its output."""

import re
import shlex
import shutil
import subprocess

import numpy as np
import pytest
from click.testing import CliRunner

from simcore import load_scenario, loop_response
from simcore.cli import main

SCENARIO = """
[machine]
part = "motors/hoist"
[inverter]
part = "inverters/igbt_600v"
[supply]
voltage_V = 560
[load]
kind = "rig"
speed_rpm = 600
[controller]
class = "{name}"
tuning = {{ kp_V_per_A = 4.0, ki_V_per_As = 150.0 }}
[commands]
id_A = 0.0
iq_A = 40.0
[run]
duration_s = 0.1
"""
CLASSES = {"python": "in_python:InPython", "compiled": "in_compiled:InCompiled", "c": "in_c.so"}


@pytest.fixture(scope="module")
def starters(tmp_path_factory):
    """Folder with a scenario and a starter in each language."""
    if shutil.which("gcc") is None:
        pytest.skip("no gcc here: controllers in C are not tried")
    folder = tmp_path_factory.mktemp("starters")
    with pytest.MonkeyPatch.context() as patched:
        patched.chdir(folder)
        for language, name in CLASSES.items():
            (folder / f"{language}.toml").write_text(SCENARIO.format(name=name))
            CliRunner().invoke(main, ["new", "controller", f"in_{language}", "--language", language])
    command = re.search(r"^ \* +(gcc .*)$", (folder / "in_c.c").read_text(), re.M)[1]
    subprocess.run(shlex.split(command), cwd=folder, check=True)
    return folder


@pytest.mark.parametrize("inject", ["reference", "voltage"])
def test_all_languages_show_the_same_loop(starters, inject):
    found = {}
    for language in CLASSES:
        response = loop_response(load_scenario(starters / f"{language}.toml"), measure=True, inject=inject)
        found[language] = response.loops["current"].measured
    names = ("d", "q") if inject == "reference" else ("d_output", "q_output")
    for name in names:
        # kp = 4 V/A on 1.6 mH: a crossover of 4/(2 pi 1.6e-3) = 398 Hz, less what the dead time of the legs takes in d.
        assert found["python"].curves[name].margins.crossover_Hz == pytest.approx(398.0, rel=0.04)
        for language in ("compiled", "c"):
            assert found[language].curves[name].open == pytest.approx(found["python"].curves[name].open, rel=1e-9)
    assert np.isfinite(found["c"].curves[names[0]].coherence).all()
