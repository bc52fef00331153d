"""The speed loop measured: once with a multisine on the speed reference, once on the load torque, then steps.

The open response is got without knowledge of the controller: -T*/w under a changing load is the controller, w/T* under a
changing reference is what it drives, and their product the loop, cut at the torque request. A controller that does not
report its torque request is cut at the shaft instead: air-gap torque over what is left of it after the load.
"""

import math
from dataclasses import replace

import numpy as np

from simcore.study.response.estimate import estimate, spectra
from simcore.study.response.injection import Progress, plan
from simcore.study.response.measured import MeasuredCurve, MeasuredLoop
from simcore.study.response.steady import at_rest, constant, laid_out, rows_apart, sampled_profile
from simcore.study.response.steps import step_figures, without_ripple

SHARE = 0.1  # of the greatest torque: what the injection may ask for
SPEED_SHARE = 0.02  # of the speed limit, at most
KEEPS_TURNING = 0.3  # of the speed itself, where dry friction would turn round
STEP_LASTS, STEP_REPEATS, SETTLES = 10.0, 3, 4  # crossover periods, times up and down, lengths of a step before the first
RUNS = 3
_TORQUE = "torque_reference_Nm"


def amplitudes(scenario, point, torque_per_speed):
    """(scenario, OperatingPoint, torque asked for a speed step [Nm s/rad]) => peaks of speed [rad/s] and load torque [Nm]."""
    machine, load = scenario.machine, scenario.load
    most_Nm = 1.5 * machine.pole_pairs * float(np.hypot(*point.flux_Wb)) * machine.max_current_A
    speed = SPEED_SHARE * machine.max_speed_rpm * math.pi / 30.0
    if torque_per_speed > 0.0:
        speed = min(speed, SHARE * most_Nm / torque_per_speed)
    if load.coulomb_Nm > 0.0 and point.speed_rpm != 0.0:
        speed = min(speed, KEEPS_TURNING * abs(point.omega))
    return speed, 0.5 * SHARE * most_Nm


def measure_speed(scenario, point, load_Nm, *, update_s, crossover_Hz, peaks, hold_s=0.0, tell=None):
    """(scenario on a free shaft, OperatingPoint, constant load torque, update period, expected crossover, (peak speed [rad/s],
    peak load [Nm])) => MeasuredLoop with one curve. hold_s: least length of a step."""
    progress = Progress(tell, RUNS)
    planned = plan(update_s, crossover_Hz, point.speed_rpm, scenario.machine.pole_pairs, 1)
    point = replace(point, speed_rpm=planned.speed_rpm)
    bench = _Bench(scenario, point, load_Nm, update_s, planned.multisine, progress)
    reference = bench.injected(speed=peaks[0])
    load = bench.injected(load=peaks[1])
    curve = _curve(planned.multisine.frequency_Hz(0), reference, load, bench)
    steps, answer = _steps(bench, max(hold_s, STEP_LASTS / crossover_Hz), peaks[0], update_s)
    told = () if curve.name == "speed" else ("The controller reports no torque request: its speed loop is cut at the shaft.",)
    return MeasuredLoop({curve.name: curve}, {"speed": steps}, {"speed": answer}, told)


class _Bench:
    """Runs at one operating point with an injection on the speed reference or on the load."""

    def __init__(self, scenario, point, load_Nm, update_s, multisine, progress):
        self.scenario, self.point, self.load_Nm, self.update_s = scenario, point, load_Nm, update_s
        self.multisine, self.progress = multisine, progress

    def run(self, speed, load):
        """(injected speed [rad/s] and load torque [Nm], a value an update (n,)) => Recording."""
        rpm = self.point.speed_rpm + np.asarray(speed) * 30.0 / math.pi
        torque = self.load_Nm + np.asarray(load)
        ticks = len(rpm) * round(self.update_s / self.scenario.tick_s)
        every = rows_apart(ticks, round(self.update_s / self.scenario.tick_s))
        return self.progress.run(
            at_rest(
                self.scenario, self.point, len(rpm) * self.update_s, record_every=every,
                commands={"speed_rpm": sampled_profile(rpm, self.update_s) if np.any(speed) else constant(rpm[0])},
                load=self.scenario.load.model_copy(
                    update={"torque_Nm": sampled_profile(torque, self.update_s) if np.any(load) else constant(torque[0])}
                ),
            )
        )  # fmt: skip

    def injected(self, speed=0.0, load=0.0):
        """(peak of the speed or of the load) => amplitudes (blocks, lines) by signal, the injected one under "injected"."""
        signal, used = laid_out(self.multisine, 0)
        recording = self.run(speed * signal, load * signal)
        apart = round(recording.row_s / self.update_s)
        lines = self.multisine.lines[0]

        def seen(values, samples):
            return spectra(values, samples, lines, used) / samples

        samples = self.multisine.samples // apart
        found = {"injected": seen((speed + load) * signal, self.multisine.samples)}
        found["speed"] = seen(recording["speed_measured_rpm"] * math.pi / 30.0, samples)
        for name in (_TORQUE, "torque_Nm"):
            found[name] = seen(np.asarray(recording[name]), samples)
        return found


def _curve(frequency_Hz, reference, load, bench):
    closed = estimate(reference["speed"], reference["injected"])
    driven = estimate(load["speed"], load["injected"])
    if np.all(np.isfinite(load[_TORQUE])):
        asked, answered = estimate(reference[_TORQUE], reference["injected"]), estimate(load[_TORQUE], load["injected"])
        response = -answered.response / driven.response * closed.response / asked.response
        parts, name = (asked, answered, driven, closed), "speed"
    else:
        given = estimate(load["torque_Nm"], load["injected"])
        response = given.response / (1.0 - given.response)
        parts, name = (given,), "shaft"
    coherence = np.min([part.coherence for part in parts], axis=0)
    deviation = np.sqrt(np.sum([part.deviation**2 for part in parts], axis=0))
    return MeasuredCurve(name, frequency_Hz, response, closed.response, coherence, deviation)


def _steps(bench, hold_s, peak, update_s):
    """Steps up and down again, averaged => StepFigures, (time, answer of a unit step)."""
    hold = max(8, round(hold_s / update_s))
    step = np.concatenate([np.ones(hold), np.zeros(hold)])
    signal = np.concatenate([np.zeros(SETTLES * hold), np.tile(step, STEP_REPEATS)])
    recording = bench.run(peak * signal, 0.0 * signal)
    apart = round(recording.row_s / update_s)
    speed, hold = np.asarray(recording["speed_rpm"]) * math.pi / 30.0, hold // apart
    parts = []
    for number in range(SETTLES, len(speed) // hold):
        part = speed[number * hold : (number + 1) * hold]
        before = speed[number * hold - hold // 8 : number * hold].mean()
        parts.append((part - before) * (-1.0 if (number - SETTLES) % 2 else 1.0) / peak)
    answer = np.arange(hold) * apart * update_s, np.mean(parts, axis=0)
    return without_ripple(step_figures(*answer), hold * apart * update_s), answer
