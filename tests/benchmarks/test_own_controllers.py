"""The three languages of a controller, and the built-in one, in turns in the same loop.  Shown, not asserted."""

import re
import shlex
import shutil
import subprocess
import time

import pytest
from loops import IDEAL, NOISY, changed

from simcore import Bench, load_scenario
from simcore.scenario.starter import write_starter
from simcore.scenario.toml_text import write_toml

CLASSES = {"python": "in_python:InPython", "compiled": "in_compiled:InCompiled", "c": "in_c.so"}
CURRENT = {"controller": {"replace": True, "mode": "current", "class": "controllers.foc:FieldOrientedController"},
           "commands": {"replace": True, "id_A": -20.0, "iq_A": 100.0}}  # fmt: skip


def benches(make_scenario, folder, duration_s):
    """{language: Bench} of the starters in the bare loop, and the built-in beside them."""
    resolved = make_scenario(**changed(NOISY, IDEAL, CURRENT, {"run": {"duration_s": duration_s}})).resolved
    found = {"built-in": "controllers.foc:FieldOrientedController", **CLASSES}
    for language in CLASSES:
        path = write_starter("controller", f"in_{language}", folder, language)
        if language == "c":
            command = re.search(r"^ \* +(gcc .*)$", path.read_text(), re.M)[1]
            subprocess.run(shlex.split(command), cwd=folder, check=True)
    for language, kind in found.items():
        (folder / f"{language}.toml").write_text(write_toml({**resolved, "controller": {"class": kind, "mode": "current"}}))
        found[language] = Bench(load_scenario(folder / f"{language}.toml"))
    return found


def least_seconds(found, rounds):
    """({name: Bench}, rounds) => least stepping time of each [s]; the rounds take turns."""
    least = dict.fromkeys(found, float("inf"))
    for _ in range(rounds):
        for name, bench in found.items():
            begun = time.perf_counter()
            recording = bench.run()
            assert recording.timing["wall_s"] <= time.perf_counter() - begun
            least[name] = min(least[name], recording.timing["wall_s"])
    return least


def test_three_languages(benchmark, make_scenario, tmp_path, say_below):
    if shutil.which("gcc") is None:
        pytest.skip("no gcc here: a controller in C is not measured")
    found = benches(make_scenario, tmp_path, 0.5 if benchmark.enabled else 0.01)
    ticks = found["c"].scenario.ticks
    least = benchmark.pedantic(least_seconds, (found, 40 if benchmark.enabled else 1), rounds=1)
    if benchmark.enabled:
        ns = {name: seconds / ticks * 1e9 for name, seconds in least.items()}
        factors = ", ".join(f"{name} {ns[name]:.0f} ns ({5e4 / ns[name]:.0f} x real time)" for name in ns)
        say_below(f"a controller's update with the loop's tick, ideal sensors and legs: {factors}")
