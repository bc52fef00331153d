"""Starter files of `drybench new`: a scenario that runs, and a controller in one of three languages."""

import keyword
import re
import sys
from pathlib import Path

from simcore.scenario.errors import ScenarioError, did_you_mean, file_label, printable, sentence
from simcore.scenario.starter_controllers import c_text, compiled_text, python_text

_TAKEN = ("Controller", "Command", "CompiledController")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}\Z")

SCENARIO = """\
# A scenario of drybench. Every key ends in its unit; angles and speeds of the shaft are mechanical unless the key
# says electrical; currents and voltages are phase peak values. Run it:  drybench run {name}.toml
title = "Torque steps on a rig"

[machine]
part = "motors/yard_tractor"        # a part from the library; keys written here override it
# max_current_A = 400               # what the controller may ask for

[inverter]
part = "inverters/sic_800v"
model = "averaged"                  # or "switched": exact edges, for ripple inside a period
switching_frequency_Hz = 10000
dead_time_s = 1.0e-6

[supply]
kind = "source"
voltage_V = 700
resistance_ohm = 0.02               # both zero: a stiff link
inductance_H = 2e-6

[sensors.current]                   # every error is zero unless given
noise_rms_A = 0.5

[sensors.position]
kind = "resolver"                   # or "ideal"

[load]
kind = "rig"                        # the speed is imposed; "free": one inertia, "locked": stands still
speed_rpm = 2000

[controller]
mode = "torque"                     # or "speed" (with kind = "free"), "current", "voltage", "open_loop"
[controller.tuning]
current_bandwidth_Hz = 500

[commands]                          # [time_s, value], held until the next
torque_Nm = [[0.0, 0.0], [0.02, 50.0], [0.10, -50.0]]
# run_request = [[0.0, 1], [0.15, 0]]    # 0: ramp down to zero and stay there

[run]
duration_s = 0.2

[[expect]]                          # what the run must show; exit status 1 where it does not
signal = "torque_Nm"
measure = "mean"
from_s = 0.06
to_s = 0.10
min = 45.0
max = 55.0

[[expect]]
signal = "torque_Nm"
measure = "settling_time_s"
step_at_s = 0.02
band_percent = 10
max = 0.005

# [[fault]]                         # breaks on purpose; without until_s it lasts; kinds: drybench schema
# kind = "current_sensor_offset"
# at_s = 0.15
# phase = "a"
# value_A = 5.0
"""

LANGUAGES = ("python", "compiled", "c")


def write_starter(kind, name, folder=".", language="python") -> Path:
    """Write a commented starter file and return its path.

    kind: "scenario" writes NAME.toml, "controller" writes NAME.py, or NAME.c and its header for language "c" (the others:
    "python", "compiled"). Raises ScenarioError where the name is none, the file exists, or the folder cannot be written.
    """
    makers = {"scenario": _scenario, "controller": _controller}
    if kind not in makers:
        _refuse("new", f'"{printable(str(kind))}" is no starter file', did_you_mean(kind, makers, "scenario or controller"))
    if language not in LANGUAGES:
        remedy = did_you_mean(language, LANGUAGES, f"One of {', '.join(LANGUAGES)}")
        _refuse("new controller", f'"{printable(str(language))}" is no language of a starter', remedy)
    file_name, text = makers[kind](name, language)
    path = Path(folder) / file_name
    if path.suffix == ".c":
        if path.exists():  # before the header is touched
            _refuse(file_label(path), *_EXISTS)
        write_header(folder)
    _write(path, text, "x")
    return path


def write_header(folder=".") -> Path:
    """Write drybench_controller.h, which a controller in C includes, over an older one; return its path.

    Raises ScenarioError where a file of that name is not drybench's, or the folder cannot be written.
    """
    from controllers.c_header import HEADER, MARK, header_text

    path = Path(folder) / HEADER
    try:
        ours = not path.exists() or path.read_bytes().startswith(MARK.encode())
    except OSError:
        ours = False
    if not ours:
        _refuse(file_label(path), "exists already and was not made by drybench", "Move it; nothing was written")
    _write(path, header_text(), "w")
    return path


_EXISTS = ("exists already", "Take another name or move the file; nothing was written")


def _write(path, text, how):
    try:
        with path.open(how, encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        _refuse(file_label(path), *_EXISTS)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        _refuse(file_label(path), f"cannot be written ({printable(reason)})", "Check the folder")


def _scenario(name, language):
    name = name.removesuffix(".toml")
    if not _NAME.match(name):
        _refuse("new scenario", f'"{printable(name)}" is no file name', "Use letters, digits, _ and -, without folders")
    return f"{name}.toml", SCENARIO.format(name=name)


def _controller(name, language):
    name = name.removesuffix(".c" if language == "c" else ".py")
    if not (name.isascii() and name.isidentifier() and len(name) <= 64) or keyword.iskeyword(name):
        remedy = "Use letters, digits and _, beginning with a letter, for example my_control"
        what = "library" if language == "c" else "Python module"
        _refuse("new controller", f'"{printable(name)}" is no name for a {what}', remedy)
    if language == "c":
        return f"{name}.c", c_text(f"{name}.c", f"{name}{'.dll' if sys.platform == 'win32' else '.so'}")
    if name in ("controllers", "simcore", "scenarios"):
        _refuse("new controller", f'"{name}" is the name of a shipped package', "Take another name")
    klass = "".join(word[:1].upper() + word[1:] for word in name.split("_")) or "Own"
    klass = klass if klass.isidentifier() and klass not in _TAKEN else f"Own{klass}"
    text = compiled_text if language == "compiled" else python_text
    return f"{name}.py", text(name, klass)


def _refuse(where, rule, remedy):
    raise ScenarioError([sentence(where, (), rule, remedy)])
