"""How fast, never how fast at least: these show and do not assert (memory does).

    python -m pytest tests/benchmarks --benchmark-enable --benchmark-only --benchmark-columns=min,median,ops,rounds

Each loop simulates one second of drive at 10 kHz with double update, so the column OPS is the real-time factor, and
milliseconds times 100 are nanoseconds a period.  Numbers in parentheses are ratios inside a group.  Without
--benchmark-enable every body runs once.
"""

import math
import os
import subprocess
import sys
from pathlib import Path

import pytest
from c_twin import EXACT, QUICK, compile_twin, make_loop, run_drybench, run_twin
from loops import IDEAL, IDEAL_LEGS, NOISY, SWITCHED, changed

import simcore
from controllers import Command, Controller
from simcore import Bench

ROOT = Path(simcore.__file__).resolve().parent.parent
RUN = ("-m", "simcore", "run", str(ROOT / "scenarios" / "torque_steps.toml"), "--no-plot")

# A saturating map; its motor wants more voltage than the base scenario's.
FLUX_MAP = {
    "machine": {"replace": True, "part": "motors/yard_tractor"},
    "supply": {"voltage_V": 700},
    "sensors": {"link_voltage": {"range_V": 1000}, "current": {"range_A": 700}},
}
FREE = {"load": {"replace": True, "kind": "free", "inertia_kg_m2": 1.0, "viscous_Nm_s": 0.3, "coulomb_Nm": 2.0},
        "initial": {"speed_rpm": 3000}}  # fmt: skip
LOOPS = {
    "averaged": {},
    "averaged, ideal legs": IDEAL_LEGS,
    "averaged, ideal legs and sensors": IDEAL,
    "averaged, every tick recorded": {"run": {"record_every": 1}},
    "averaged, free shaft with friction": FREE,
    "averaged, flux map": FLUX_MAP,
    "averaged, single update": {"inverter": {"update": "single"}},
    "switched": SWITCHED,
    "switched, ideal legs": changed(SWITCHED, IDEAL_LEGS),
}


def scenario_of(benchmark, make_scenario, change):
    """(change to the noisy loop) => its scenario: one second when measuring, 50 ms when the body only has to run."""
    run = {"commands": {"torque_Nm": 120.0}, "run": {"duration_s": 1.0 if benchmark.enabled else 0.05}}
    return make_scenario(**changed(NOISY, run, change))


def measure_loop(benchmark, run, scenario):
    """Times run(loop); every round gets a fresh loop."""
    benchmark.pedantic(run, setup=lambda: ((make_loop(scenario),), {}), rounds=25, warmup_rounds=1)


def loop_runner(program, folder):
    """(program's name, folder for its library) => what runs a loop by it; skips aloud where there is no gcc."""
    if program == "drybench":
        return run_drybench
    twin = compile_twin(folder, EXACT if "no contraction" in program else QUICK)
    if twin is None:
        pytest.skip("no gcc here: the C twin is left out")
    return lambda loop: run_twin(twin, loop)


@pytest.mark.benchmark(group="Against C: noisy sensors, resolver, dead time")
@pytest.mark.parametrize("program", ["drybench", "gcc -O3 -march=native", "gcc -O3, no contraction"])
def test_averaged_loop(benchmark, make_scenario, tmp_path, program):
    run = loop_runner(program, tmp_path)
    measure_loop(benchmark, run, scenario_of(benchmark, make_scenario, {}))


@pytest.mark.benchmark(group="Against C: ideal legs and sensors")
@pytest.mark.parametrize("program", ["drybench", "gcc -O3 -march=native"])
def test_bare_loop(benchmark, make_scenario, tmp_path, program):
    run = loop_runner(program, tmp_path)
    measure_loop(benchmark, run, scenario_of(benchmark, make_scenario, IDEAL))


@pytest.mark.benchmark(group="One second of drive, compiled controller (OPS = real-time factor)")
@pytest.mark.parametrize("loop", LOOPS)
def test_compiled_run(benchmark, make_scenario, loop):
    measure_loop(benchmark, run_drybench, scenario_of(benchmark, make_scenario, LOOPS[loop]))


class Nothing(Controller):
    """The least a Python controller can do: what remains is the shell's own time."""

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(0.5, 0.5, 0.5)


class CurrentControl(Controller):
    """A plain current controller as a user writes it: d axis at zero, decoupled PI, space vector; some 40 operations."""

    def reset(self, setup):
        machine = setup.machine
        self.l_d, self.l_q, self.psi = machine.inductance_d_H, machine.inductance_q_H, machine.magnet_flux_Wb
        self.pole_pairs, self.advance_s = machine.pole_pairs, 1.5 * setup.update_s
        self.w = 2.0 * math.pi * 300.0
        self.ki = self.w * machine.stator_resistance_ohm * setup.update_s
        self.sum_d = self.sum_q = 0.0

    def step(self, measured):
        sine, cosine = math.sin(measured.angle_electrical_rad), math.cos(measured.angle_electrical_rad)
        alpha = (2.0 * measured.ia_A - measured.ib_A - measured.ic_A) / 3.0
        beta = (measured.ib_A - measured.ic_A) / math.sqrt(3.0)
        id_A, iq_A = cosine * alpha + sine * beta, cosine * beta - sine * alpha
        omega = measured.speed_rpm * math.pi / 30.0 * self.pole_pairs
        error_d = -id_A
        error_q = measured.torque_reference_Nm / (1.5 * self.pole_pairs * self.psi) - iq_A
        self.sum_d += self.ki * error_d
        self.sum_q += self.ki * error_q
        vd = self.w * self.l_d * error_d + self.sum_d - omega * self.l_q * iq_A
        vq = self.w * self.l_q * error_q + self.sum_q + omega * (self.l_d * id_A + self.psi)
        angle = measured.angle_electrical_rad + self.advance_s * omega
        sine, cosine = math.sin(angle), math.cos(angle)
        alpha, beta = cosine * vd - sine * vq, sine * vd + cosine * vq
        a, b = alpha, -0.5 * alpha + 0.5 * math.sqrt(3.0) * beta
        c = -a - b
        zero = -0.5 * (max(a, b, c) + min(a, b, c))
        link = measured.link_voltage_V
        return Command(*(min(max(0.5 + (v + zero) / link, 0.0), 1.0) for v in (a, b, c)))


@pytest.mark.benchmark(group="One second of drive, Python controller (OPS = real-time factor)")
@pytest.mark.parametrize("kind", [Nothing, CurrentControl])
def test_python_controller(benchmark, make_scenario, kind):
    change = {"controller": {"replace": True}, "commands": {"torque_Nm": 50.0}}
    scenario = scenario_of(benchmark, make_scenario, change)
    recording = benchmark.pedantic(Bench(scenario, controller=kind()).run, rounds=8, warmup_rounds=1)
    assert recording.ticks == scenario.ticks


def process(folder, *arguments, **environment):
    """Runs Python with these arguments in `folder` and returns what it printed to the error stream."""
    paths = os.pathsep.join(p for p in (str(ROOT), os.environ.get("PYTHONPATH")) if p)
    done = subprocess.run(
        [sys.executable, *arguments], cwd=folder, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONPATH": paths} | environment,
    )  # fmt: skip
    return done.stderr


@pytest.mark.benchmark(group="Start-up, whole processes")
def test_help(benchmark, tmp_path):
    benchmark.pedantic(process, (tmp_path, "-m", "simcore", "--help"), rounds=10, warmup_rounds=1)


@pytest.mark.benchmark(group="Start-up, whole processes")
def test_run_with_kernels_in_the_cache(benchmark, tmp_path):
    benchmark.pedantic(process, (tmp_path, *RUN), rounds=10, warmup_rounds=1)


@pytest.mark.benchmark(group="Start-up, whole processes")
def test_first_run_ever(benchmark, tmp_path):
    if benchmark.disabled:
        pytest.skip("compiles every kernel anew, some 15 s: only with --benchmark-enable")
    new = {"DRYBENCH_CACHE": str(tmp_path / "cache")}
    benchmark.pedantic(process, (tmp_path, *RUN), new, rounds=1)


# getrusage's maximum would count this test's own process too, which a child inherits until it runs another program.
PEAK = """
import sys
from simcore.cli import main
try:
    main()
finally:
    with open("/proc/self/status") as status:
        print("peak", next(int(line.split()[1]) for line in status if line.startswith("VmHWM:")), file=sys.stderr)
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="no /proc here: the peak of memory is not measured")
@pytest.mark.benchmark(group="A minute of drive at 10 kHz, whole processes")
@pytest.mark.parametrize("decimation", ["default", "every tick"])
def test_a_minute_of_drive_needs_less_than_a_gigabyte(benchmark, tmp_path, decimation):
    # Every tick recorded takes long to write: a quarter of the minute tells the same where time is not measured.
    minute = 60.0 if benchmark.enabled or decimation == "default" else 15.0
    settings = ["--set", f"run.duration_s={minute}"] + ["--set", "run.record_every=1"] * (decimation == "every tick")
    told = benchmark.pedantic(process, (tmp_path, "-c", PEAK, *RUN[2:], *settings), rounds=1)
    start, limit = 0.35e9, 1e9
    assert 1024 * int(told.split("peak ")[-1]) < start + (limit - start) * minute / 60.0
