"""Starter files of `drybench new`: a scenario that runs, and a ten-line controller."""

import keyword
import re
from pathlib import Path

from simcore.scenario.errors import ScenarioError, did_you_mean, file_label, printable, sentence

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
"""

CONTROLLER = """\
# A controller of drybench. To use it, write into a scenario beside this file:
#   [controller]
#   class = "{name}:{klass}"
from controllers import Command, Controller


class {klass}(Controller):
    def reset(self, setup):  # before the run; setup.update_s, setup.machine, setup.tuning ...
        self.duty = setup.tuning.get("duty", 0.5)

    def step(self, measured):  # once an update; measured.ia_A, measured.angle_electrical_rad ...
        return Command(self.duty, self.duty, self.duty)
"""


def write_starter(kind, name, folder=".") -> Path:
    """Write a commented starter file and return its path.

    kind: "scenario" writes NAME.toml, "controller" writes NAME.py. Raises ScenarioError where the name is none, the
    file exists, or the folder cannot be written.
    """
    makers = {"scenario": _scenario, "controller": _controller}
    if kind not in makers:
        _refuse("new", f'"{printable(str(kind))}" is no starter file', did_you_mean(kind, makers, "scenario or controller"))
    file_name, text = makers[kind](name)
    path = Path(folder) / file_name
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        _refuse(file_label(path), "exists already", "Take another name or move the file; nothing was written")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        _refuse(file_label(path), f"cannot be written ({printable(reason)})", "Check the folder")
    return path


def _scenario(name):
    name = name.removesuffix(".toml")
    if not _NAME.match(name):
        _refuse("new scenario", f'"{printable(name)}" is no file name', "Use letters, digits, _ and -, without folders")
    return f"{name}.toml", SCENARIO.format(name=name)


def _controller(name):
    name = name.removesuffix(".py")
    if not (name.isascii() and name.isidentifier() and len(name) <= 64) or keyword.iskeyword(name):
        remedy = "Use letters, digits and _, beginning with a letter, for example my_control"
        _refuse("new controller", f'"{printable(name)}" is no name for a Python module', remedy)
    if name in ("controllers", "simcore", "scenarios"):
        _refuse("new controller", f'"{name}" is the name of a shipped package', "Take another name")
    klass = "".join(word[:1].upper() + word[1:] for word in name.split("_")) or "Own"
    klass = klass if klass.isidentifier() and klass not in ("Controller", "Command") else f"Own{klass}"
    return f"{name}.py", CONTROLLER.format(name=name, klass=klass)


def _refuse(where, rule, remedy):
    raise ScenarioError([sentence(where, (), rule, remedy)])
