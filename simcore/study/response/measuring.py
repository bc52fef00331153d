"""Which loops of a scenario are measured, and how each: from its references where it follows some, else at its output."""

import math

from simcore.study.response import measure_current as by_current
from simcore.study.response import measure_output as by_output
from simcore.study.response import measure_speed as by_speed
from simcore.study.response import measure_torque as by_torque
from simcore.study.response.measured import without_open
from simcore.study.response.point import IMPOSED

# Without a prediction the first look is about these shares of the update rate, the second about what it found.
CURRENT_GUESS, SPEED_GUESS_Hz = 1.0 / 40.0, 15.0
HOLD, LONGEST_HOLDS_S = 2.6, {"current": 0.15, "speed": 4.0}  # of a step: times the predicted settling time, at most
NEAR = 2.0  # factor within which a guess needs no second look
OWN_SPEED_SHARE = 0.005  # of the speed limit


def measure_all(study, inject, tell):
    """(Study, "auto", "reference" or "voltage", tell(share 0 to 1)) => {loop: (MeasuredLoop, sentences)}."""
    scenario, commands = study.scenario, study.scenario.commands
    jobs = {}
    follows = study.built_in is not None or commands.id_A is not None or commands.iq_A is not None
    by_reference = inject == "reference" or (inject == "auto" and follows)
    jobs["current"] = _current if by_reference else _output
    if scenario.controller.built_in and study.built_in is None:
        return {}
    speed_loop = study.has_speed_loop or (study.built_in is None and commands.speed_rpm is not None)
    if speed_loop:
        jobs["speed"] = _speed if hasattr(scenario.load, "torque_Nm") else _no_load_torque
    if commands.torque_Nm is not None and scenario.load.kind in IMPOSED and (scenario.controller.mode or "torque") == "torque":
        jobs["torque"] = _torque
    found = {}
    for number, (name, job) in enumerate(jobs.items()):
        swings = [known for known in ("current", name) if _swings(study, known)]
        if swings:
            found[name] = None, [f"The {swings[0]} loop swings by itself: the {name} loop was not measured."]
        else:
            found[name] = job(study, _part(tell, number, len(jobs)))
    return found


def _swings(study, name):
    loop = study.response.loops.get(name)
    return loop is not None and loop.predicted is not None and not loop.predicted.stable


def _part(tell, number, jobs):
    """A part of the whole progress."""
    if tell is None:
        return None
    return lambda done, of: tell((number + done / of) / jobs)


def _expected(study, loop, guess_Hz):
    """(crossover to measure about, True where it is predicted)."""
    known = study.response.loops.get(loop)
    cuts = known.predicted.cuts.values() if known is not None and known.predicted is not None else ()
    crossovers = [cut.margins.crossover_Hz for cut in cuts if cut.margins.crossover_Hz is not None]
    return (max(crossovers), True) if crossovers else (guess_Hz, False)


def _hold_s(study, loop):
    """Length of a step that shows how it settles; 0 where nothing is known of it."""
    known = study.response.loops.get(loop)
    steps = known.predicted.steps.values() if known is not None and known.predicted is not None else ()
    longest = max((step.settling_time_s or 0.0 for step in steps), default=0.0)
    return min(HOLD * longest, LONGEST_HOLDS_S[loop])


def _twice(measure, guess_Hz, known):
    """Measure about the guess, and again about the crossover that was found where that lies elsewhere."""
    found = measure(guess_Hz)
    worst = None if known else found.worst
    if worst is not None and not 1.0 / NEAR < worst[1].crossover_Hz / guess_Hz < NEAR:
        found = measure(worst[1].crossover_Hz)
    return found


def _current(study, tell):
    scenario, point = study.scenario, study.response.point
    guess_Hz, known = _expected(study, "current", CURRENT_GUESS / study.update_s)
    peak_A = by_current.SHARE * scenario.machine.max_current_A
    if study.response.drive is not None:
        peak_A = by_current.amplitude_A(scenario, study.response.drive, point.link_V)
    if peak_A < 1e-4 * scenario.machine.max_current_A:
        return None, ["At this operating point no voltage is left for an injection: the current loop was not measured."]
    mode = "current" if study.built_in is not None else None
    measured = _twice(
        lambda f: by_current.measure_current(
            scenario, point, update_s=study.update_s, crossover_Hz=f, peak_A=peak_A, mode=mode,
            hold_s=_hold_s(study, "current"), tell=tell,
        ),
        guess_Hz, known,
    )  # fmt: skip
    if study.built_in is not None and study.built_in.parameters["compensation"]:
        told = "Dead-time compensation feeds the references forward: the open response shows with --inject voltage only."
        return without_open(measured), [*measured.told, told]
    return measured, list(measured.told)


def _output(study, tell):
    guess_Hz, known = _expected(study, "current", CURRENT_GUESS / study.update_s)
    measured = _twice(
        lambda f: by_output.measure_output(
            study.scenario, study.response.point, update_s=study.update_s, crossover_Hz=f,
            in_current_mode=study.built_in is not None, tell=tell,
        ),
        guess_Hz, known,
    )  # fmt: skip
    told = []
    if measured.worst is None:
        told.append("The controller's output hardly answers to the currents: there is no current loop to speak of.")
    elif study.built_in is None and study.scenario.load.kind not in IMPOSED:
        told.append("The shaft turned freely while the current loop was measured: a speed loop stayed closed around it.")
    return measured, told


def _speed(study, tell):
    scenario, point = study.scenario, study.response.point
    guess_Hz, known = _expected(study, "speed", SPEED_GUESS_Hz)
    told = []
    if study.built_in is not None:
        p = study.built_in.parameters
        peaks = by_speed.amplitudes(scenario, point, float(p["speed_kp"]) * max(float(p["speed_weight"]), 0.5))
    else:
        speed, load = by_speed.amplitudes(scenario, point, 0.0)
        peaks = min(speed, OWN_SPEED_SHARE * scenario.machine.max_speed_rpm * math.pi / 30.0), load
    if scenario.load.coulomb_Nm > 0.0 and abs(point.omega) < 2.0 * peaks[0]:
        told.append("Near standstill dry friction holds the shaft: the measured speed loop is not linear there.")
    measured = _twice(
        lambda f: by_speed.measure_speed(
            scenario, point, scenario.load.torque_Nm.at(point.at_s), update_s=study.update_s, crossover_Hz=f, peaks=peaks,
            hold_s=_hold_s(study, "speed"), tell=tell,
        ),
        guess_Hz, known,
    )  # fmt: skip
    return measured, told + list(measured.told)


def _no_load_torque(study, tell):
    """A load kind whose torque is no profile."""
    return None, [f'load.kind = "{study.scenario.load.kind}" has no torque_Nm to inject: the speed loop was not measured.']


def _torque(study, tell):
    guess_Hz, _ = _expected(study, "current", CURRENT_GUESS / study.update_s)
    if why := by_torque.why_not(study.scenario, study.response.point):
        return None, [f"{why}: the torque's answer was not measured."]
    measured = by_torque.measure_torque(
        study.scenario, study.response.point, update_s=study.update_s, crossover_Hz=guess_Hz, tell=tell
    )
    return measured, []
