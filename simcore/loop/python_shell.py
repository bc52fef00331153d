"""Runs a Python controller: compiled between two of its steps, checked at each answer."""

import time
from math import isfinite

from controllers.contract import Command, Measured
from simcore.loop.errors import controller_sentence, where
from simcore.loop.records import OK

CHUNK_UPDATES = 500


def _wrong_answer(controller, update, got):
    return (
        f"{type(controller).__name__}.step answered {got} at update {update}; expected controllers.Command with three duties "
        "in 0..1"
    )


def _checked(controller, command, names, update):
    """(what step returned) => (duties, reports, extras), or the sentence that says what is wrong with it."""
    if type(command) is not Command:
        got = "None" if command is None else f"{type(command).__name__}"
        return None, _wrong_answer(controller, update, got)
    try:
        duties = (float(command[0]), float(command[1]), float(command[2]))
        report = (
            float(command[3]), float(command[4]), float(command[11]), float(command[6]), float(command[7]),
            float(command[8]), float(command[9]), float(command[10]),
        )  # fmt: skip
        extra = tuple(map(float, command[5])) if names else ()
    except (TypeError, ValueError) as error:
        return None, _wrong_answer(controller, update, f"a Command whose fields are not all numbers ({error})")
    if not isfinite(report[0] + report[1] + report[2]):
        return None, _wrong_answer(controller, update, "gates_on, gate_setting or binding_limit that is not a number")
    if len(extra) != len(names):
        return None, _wrong_answer(controller, update, f"extra with {len(extra)} values for {len(names)} signals")
    return (duties, report, extra), None


def run_python(controller, scenario, common, names, progress):
    """(controller, bench arrays) => (seconds spent stepping, sentence of a failure or None)."""
    from simcore.loop.run import python_shell

    start, advance = python_shell()
    params, states, measured, commands, table, points, scopes, samples, rows, extras = common
    ticks = scenario.ticks
    own = commands["extra"][0]
    step, make = controller.step, Measured._make
    update, problem, done = 0, None, 0
    begun = time.perf_counter()
    seen = start(params, states, measured, table, points, scopes, samples, rows)
    while done < ticks:
        for _ in range(CHUNK_UPDATES):
            try:
                command = step(make(seen))
            except (Exception, SystemExit) as error:
                tick = int(states["tick"][0])
                problem = controller_sentence(controller, "step", error, f" at {where(scenario, tick)}")
                break
            answer, problem = _checked(controller, command, names, update)
            if problem is not None:
                problem += f" ({where(scenario, int(states['tick'][0]))}). Mend the controller."
                break
            if names:
                own[: len(names)] = answer[2]
            seen, status = advance(
                params, states, measured, commands, table, points, scopes, samples, rows, extras, ticks, answer[0], answer[1]
            )
            update += 1
            if status != OK:
                break
            if update * params["clock"]["ticks_per_update"][0] >= ticks:
                break
        done = int(states["tick"][0])
        if progress is not None:
            progress(done * scenario.tick_s, ticks * scenario.tick_s)
        if problem is not None or states["status"][0] != OK:
            break
    return time.perf_counter() - begun, problem
