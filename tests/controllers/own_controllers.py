"""What the tests of own controllers share: a scenario beside which controllers are written, and a C compiler."""

import shutil
import subprocess

import pytest

from controllers.c_header import HEADER, header_text
from simcore import Bench, load_scenario

SCENARIO = """
[machine]
kind = "constants"
pole_pairs = 4
stator_resistance_ohm = 0.01
inductance_d_H = 0.2e-3
inductance_q_H = 0.6e-3
magnet_flux_Wb = 0.07
max_current_A = 400
max_speed_rpm = 12000
[inverter]
switching_frequency_Hz = 10000
dead_time_s = 1e-6
[supply]
kind = "source"
voltage_V = 400
[sensors.current]
noise_rms_A = 0.5
[load]
kind = "rig"
speed_rpm = [[0.0, 1000], [0.004, 3500]]
[controller]
class = "CLASS"
TUNING
[commands]
id_A = -20.0
iq_A = [[0.0, 0.0], [0.002, 150.0]]
[run]
duration_s = 0.01
record_every = 1
"""


def write_scenario(folder, name, tuning="", file="own.toml"):
    """(folder, controller.class, a line of [controller]) => path of a scenario there."""
    path = folder / file
    path.write_text(SCENARIO.replace("CLASS", str(name)).replace("TUNING", tuning))
    return path


def run_class(folder, name, tuning="", **how):
    """The same, run => Recording."""
    return Bench(load_scenario(write_scenario(folder, name, tuning))).run(**how)


def differing(one, other):
    """Names of the signals in which two recordings differ by a bit."""
    import numpy as np

    assert one.signals == other.signals
    return [name for name in one.signals if not np.array_equal(one[name], other[name], equal_nan=True)]


def need_gcc():
    """Skips aloud where there is no gcc."""
    if shutil.which("gcc") is None:
        pytest.skip("no gcc here: controllers in C are not tried")


def compile_c(folder, source, name="own.so", *options, header=None):
    """(folder, C text) => path of the library there, compiled against drybench_controller.h."""
    need_gcc()
    (folder / HEADER).write_text(header or header_text())
    file = folder / f"{name.split('.')[0]}.c"
    file.write_text(source)
    command = ["gcc", "-O2", "-std=c99", "-Wall", "-Wextra", "-Werror", "-ffp-contract=off", "-fPIC", "-shared", *options]
    subprocess.run([*command, "-o", str(folder / name), str(file), "-lm"], check=True)
    return folder / name
