"""The torque's answer to its command, measured at imposed speed: air-gap torque over the torque command."""

import numpy as np

from simcore.study.response.estimate import estimate, spectra
from simcore.study.response.injection import Progress, at_updates, plan
from simcore.study.response.measured import MeasuredCurve, MeasuredLoop
from simcore.study.response.steady import at_rest, commands_at, laid_out, load_at, sampled_profile

SHARE = 0.03  # of about the greatest torque: peak of the injection
SETTLES_S = 0.3
RUNS = 1


def why_not(scenario, point):
    """(scenario, OperatingPoint) => why an injection would not come through, in words, or ""."""
    wanted = abs(scenario.commands.torque_Nm.at(point.at_s))
    if scenario.controller.tuning.get("torque_slew_Nm_per_s"):
        return "controller.tuning.torque_slew_Nm_per_s would hold an injection back"
    current = float(np.hypot(*point.reference_A))
    if current > (1.0 - 2.0 * SHARE) * scenario.machine.max_current_A or wanted > 1.001 * abs(point.torque_Nm):
        return "At a limit the torque follows in one direction only"
    return ""


def measure_torque(scenario, point, *, update_s, crossover_Hz, tell=None):
    """(scenario at imposed speed, OperatingPoint, update period, expected bandwidth) => MeasuredLoop, its closed response."""
    planned = plan(update_s, crossover_Hz, point.speed_rpm, scenario.machine.pole_pairs, 1)
    multisine, peak_Nm = planned.multisine, SHARE * point.most_Nm
    signal, used = laid_out(multisine, 0, SETTLES_S)
    centre = scenario.commands.torque_Nm.at(point.at_s)
    commands = commands_at(scenario, point.at_s) | {"torque_Nm": sampled_profile(centre + peak_Nm * signal, update_s)}
    speed = planned.speed_rpm if scenario.load.kind == "rig" else None
    held = at_rest(scenario, point, len(signal) * update_s, commands=commands, load=load_at(scenario.load, point.at_s, speed))
    recording = Progress(tell, RUNS).run(held)
    lines = multisine.lines[0]
    answer = spectra(at_updates(recording, "torque_Nm", update_s), multisine.samples, lines, used)
    found = estimate(answer, spectra(peak_Nm * signal, multisine.samples, lines, used))
    none = np.full(len(lines), np.nan, dtype=complex)
    curve = MeasuredCurve("torque", multisine.frequency_Hz(0), none, found.response, found.coherence, found.deviation)
    return MeasuredLoop({"torque": curve})
