"""The current loop measured at the controller's output: a voltage is added there, and the controller's answer is seen.

For any controller, whatever it is asked for. Only one axis is excited at a line, the other one stays closed.
"""

import numpy as np

from simcore.loop import Bench
from simcore.study.response.dither import Dithered, duty_vector
from simcore.study.response.estimate import estimate, spectra
from simcore.study.response.injection import Progress, plan
from simcore.study.response.measured import MeasuredCurve, MeasuredLoop
from simcore.study.response.point import IMPOSED, RPM
from simcore.study.response.steady import at_rest, commands_at, constant, laid_out, load_at, rig, sampled_profile

SHARE = 0.03  # of the linear voltage limit: peak of the injection
IMPOSED_SETTLES_S, FREE_SETTLES_S = 0.3, 1.0
RUNS = 1


def measure_output(scenario, point, *, update_s, crossover_Hz, in_current_mode=False, tell=None):
    """(scenario, OperatingPoint, update period, expected crossover) => MeasuredLoop of d_output and q_output.

    Commands and load stay at what they are at point.at_s; a free shaft keeps its speed loop around the current loop.
    in_current_mode: instead a rig holds the speed and the built-in controller the currents.
    """
    imposed = in_current_mode or scenario.load.kind == "rig"
    planned = plan(update_s, crossover_Hz, point.speed_rpm, scenario.machine.pole_pairs, 2)
    multisine, peak_V = planned.multisine, SHARE * point.link_V / np.sqrt(3.0)
    settle_s = IMPOSED_SETTLES_S if in_current_mode or scenario.load.kind in IMPOSED else FREE_SETTLES_S
    # An added voltage wakes the winding's own time constant, which control cancels for its references only.
    (d, used), (q, _) = (laid_out(multisine, number, settle_s, IMPOSED_SETTLES_S) for number in (0, 1))
    count, delay = len(d), scenario.controller.delay_updates
    # The last updates' duties come into force after them.
    d, q = (np.concatenate([signal, signal[-multisine.samples :][:delay]]) for signal in (d, q))
    voltages = {"vd_V": sampled_profile(peak_V * d, update_s), "vq_V": sampled_profile(peak_V * q, update_s)}
    if in_current_mode:
        load, mode = rig(planned.speed_rpm), "current"
        commands = {"id_A": constant(point.reference_A[0]), "iq_A": constant(point.reference_A[1])}
    else:
        load, mode = load_at(scenario.load, point.at_s, planned.speed_rpm if imposed else None), None
        commands = commands_at(scenario, point.at_s)
    held = at_rest(scenario, point, len(d) * update_s, commands=commands | voltages, load=load, mode=mode)
    advance_s = (delay + 0.5) * update_s - scenario.sensors.current.sample_shift_s
    recording = Progress(tell, RUNS).run(held, Dithered(Bench(held).controller, scenario.machine.pole_pairs, advance_s))
    total, injected = asked_voltage(recording, update_s, advance_s), peak_V * (d + 1j * q)[:count]
    curves = {}
    for number, (axis, part) in enumerate((("d", np.real), ("q", np.imag))):
        lines = multisine.lines[number]
        given, added, answered = (
            spectra(part(signal), multisine.samples, lines, used) for signal in (total, injected, total - injected)
        )
        curves[f"{axis}_output"] = _curve(
            f"{axis}_output", multisine.frequency_Hz(number), estimate(given, added), estimate(answered, added)
        )
    return MeasuredLoop(curves)


def asked_voltage(recording, update_s, advance_s):
    """(Recording with a row a tick) => what the duties of each update ask for, vd + j vq in the controller's rotor frame in the
    middle of their action [V]; one value an update, but for the last ones, whose duties never come into force."""
    scenario = recording.scenario
    step, delay, p = round(update_s / scenario.tick_s), scenario.controller.delay_updates, scenario.machine.pole_pairs
    shift = scenario.sensors.current.sample_shift_s

    def channel(name):
        return recording.channel(name)[::step]

    angle = p * (channel("theta") + shift * channel("omega")) + channel("angle_error_rad")
    angle += p * channel("speed_measured_rpm") / RPM * advance_s
    alpha, beta = duty_vector(*(channel(name) for name in ("duty_a", "duty_b", "duty_c")))
    count = len(alpha) - delay
    vector = (alpha + 1j * beta)[delay:] * channel("link_voltage_measured_V")[:count]
    return vector * np.exp(-1j * angle[:count])


def _curve(name, frequency_Hz, given, answered):
    """(name, frequencies, Estimates of the whole and of the controller's voltage over the injected one) => MeasuredCurve."""
    response = -answered.response / given.response
    deviation = np.hypot(answered.deviation, given.deviation)
    return MeasuredCurve(name, frequency_Hz, response, -answered.response, answered.coherence, deviation)
