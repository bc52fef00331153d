"""The current loop measured from its references: multisines on d and q at once, on lines of their own; then steps."""

import math

import numpy as np

from simcore.study.response.estimate import estimate, spectra
from simcore.study.response.injection import Progress, at_updates, plan
from simcore.study.response.measured import MeasuredLoop, from_closed
from simcore.study.response.point import point_of
from simcore.study.response.steady import at_rest, laid_out, rig, sampled_profile
from simcore.study.response.steps import step_figures, without_ripple

SHARE = 0.03  # of the current limit: peak of the injection, where the voltage allows it
HEADROOM_USE = 0.6  # of the voltage that is left
SETTLES_S = 0.3  # so that the winding's own time constants are gone
STEP_LASTS, STEP_REPEATS = 10.0, 8  # crossover periods, times up and down
RUNS = 2


def amplitude_A(scenario, drive, link_V):
    """(scenario, LinearDrive, link voltage) => peak of the injected current [A]; 0 where no voltage is left."""
    limit = link_V * (0.5 if scenario.inverter.modulation == "sine" else 1.0 / math.sqrt(3.0))
    left = limit - float(np.hypot(*drive.stator_voltage_V))
    allowed = HEADROOM_USE * left / (math.sqrt(2.0) * max(float(np.max(drive.current.kp)), 1e-12))
    return max(0.0, min(SHARE * scenario.machine.max_current_A, allowed))


def measure_current(scenario, point, *, update_s, crossover_Hz, peak_A, mode, hold_s=0.0, tell=None):
    """(scenario, OperatingPoint, update period, expected crossover, peak of the injection) => MeasuredLoop of d and q.

    The shaft is held by a rig. mode: the controller's mode in which it follows id_A and iq_A. hold_s: least length of a step.
    """
    told = []
    planned = plan(update_s, crossover_Hz, point.speed_rpm, scenario.machine.pole_pairs, 2)
    # References beyond the current limit would be cut.
    room = scenario.machine.max_current_A - 1.5 * peak_A
    size = float(np.hypot(*point.reference_A))
    reference = point.reference_A * min(1.0, room / max(size, 1e-300))
    if size > room:
        told.append(f"The currents were measured at {100.0 * room / size:.3g} % of their size, inside the current limit.")
    point = point_of(scenario, reference, planned.speed_rpm, point.link_V, point.at_s)
    progress, hold_s = Progress(tell, RUNS), max(hold_s, STEP_LASTS / crossover_Hz)
    curves = _curves(scenario, point, planned.multisine, update_s, peak_A, mode, progress)
    steps, answers = _steps(scenario, point, update_s, hold_s, peak_A, mode, progress)
    return MeasuredLoop(curves, steps, answers, tuple(told))


def _run(scenario, point, d, q, update_s, mode, progress):
    commands = {
        "id_A": sampled_profile(point.reference_A[0] + d, update_s),
        "iq_A": sampled_profile(point.reference_A[1] + q, update_s),
    }
    held = at_rest(scenario, point, len(d) * update_s, commands=commands, load=rig(point.speed_rpm), mode=mode)
    return progress.run(held)


def _curves(scenario, point, multisine, update_s, peak_A, mode, progress):
    (d, used), (q, _) = laid_out(multisine, 0, SETTLES_S), laid_out(multisine, 1, SETTLES_S)
    recording = _run(scenario, point, peak_A * d, peak_A * q, update_s, mode, progress)
    curves = {}
    for number, (axis, injected) in enumerate((("d", d), ("q", q))):
        lines = multisine.lines[number]
        answer = spectra(at_updates(recording, f"i{axis}_measured_A", update_s), multisine.samples, lines, used)
        stimulus = spectra(peak_A * injected, multisine.samples, lines, used)
        curves[axis] = from_closed(axis, multisine.frequency_Hz(number), estimate(answer, stimulus))
    return curves


def _steps(scenario, point, update_s, hold_s, peak_A, mode, progress):
    """Steps of each axis up and down again, averaged => StepFigures and (time, answer of a unit step) by axis."""
    sixths_per_s = 6.0 * scenario.machine.pole_pairs * abs(point.speed_rpm) / 60.0
    hold = off_beat(max(8, round(hold_s / update_s)), 4.0 * sixths_per_s * update_s)
    before = max(hold, round(SETTLES_S / update_s))
    up = np.concatenate([np.ones(hold), np.zeros(3 * hold)])
    q = np.concatenate([np.zeros(before), np.tile(up, STEP_REPEATS)])
    d = np.concatenate([np.zeros(before), np.tile(np.roll(up, 2 * hold), STEP_REPEATS)])
    recording = _run(scenario, point, peak_A * d, peak_A * q, update_s, mode, progress)
    figures, answers = {}, {}
    for axis, first in (("q", before), ("d", before + 2 * hold)):
        true = at_updates(recording, f"i{axis}_A", update_s)
        answers[axis] = update_s * np.arange(hold), _averaged(true, first, hold) / peak_A
        figures[axis] = without_ripple(step_figures(*answers[axis]), hold * update_s)
    return figures, answers


def off_beat(least, beats):
    """(least length of a step, beats of the machine's sixth order a length of one) => length at which the steps fall evenly on
    all of the beat, so that its ripple averages out; at most half as much again."""
    tried = np.arange(least, least + max(least // 2, 1) + 1)
    apart = (tried * beats) % 1.0
    wanted = np.minimum(np.abs(apart - 1.0 / STEP_REPEATS), np.abs(apart - 3.0 / STEP_REPEATS))
    return int(tried[np.argmin(wanted)]) if beats > 0.0 else least


def _averaged(signal, first, hold):
    """Mean of all steps up and, upside down, all steps down: the answer over one hold, from 0 (hold,)."""
    parts = []
    for start in range(first, len(signal) - 2 * hold + 1, 4 * hold):
        up, down = signal[start : start + hold], signal[start + hold : start + 2 * hold]
        before = signal[start - hold // 4 : start].mean()
        top = signal[start + hold - hold // 4 : start + hold].mean()
        parts += [up - before, top - down]
    return np.mean(parts, axis=0)
