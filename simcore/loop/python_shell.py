"""Runs a Python controller: compiled between two of its steps, checked at each answer."""

import time

from controllers.contract import Command, Measured
from simcore.loop.errors import controller_sentence, where
from simcore.loop.records import OK

CHUNK_UPDATES = 500


class _Failed(Exception):
    """The controller cannot go on; the text is the sentence to print."""


def _wrong_answer(controller, update, got, here):
    return _Failed(
        f"{type(controller).__name__}.step answered {got} at update {update}; expected controllers.Command with three duties "
        f"in 0..1 ({here()}). Mend the controller."
    )


def _fault(command, names, error):
    """(a command that could not be handed over) => what is wrong with it."""
    try:
        for value in (*command[:5], *command[6:], *(command[5] if names else ())):
            float(value)
    except (TypeError, ValueError, OverflowError) as first:
        error = first
    return f"a Command whose fields are not all numbers ({error})"


def _told(tell, desk, command):
    """(a command) => what it says besides its duties, handed over; raises ValueError, TypeError for what is no number."""
    if not tell(desk, command[3], command[4], *command[6:]):
        raise ValueError("gates_on, gate_setting or binding_limit is not a number")
    return command[3:]


def _chunk(controller, shell, desk, seen, own, names, first, here):
    """(sample, own signals' place, number of the update) => the next sample, whether the run goes on, updates done.

    This loop costs as much as the compiled tick.  Most controllers leave their reports at the defaults, so these are handed
    over only when they change; duties are converted and rejected by the compiled entry itself.
    """
    _, tell, advance = shell
    step, new, told = controller.step, tuple.__new__, None
    for update in range(first, first + CHUNK_UPDATES):
        try:
            command = step(new(Measured, seen))
        except (Exception, SystemExit) as error:
            raise _Failed(controller_sentence(controller, "step", error, f" at {here()}")) from error
        if type(command) is not Command:
            raise _wrong_answer(controller, update, "None" if command is None else type(command).__name__, here)
        try:
            if names:
                if len(command[5]) != len(names):
                    got = f"extra with {len(command[5])} values for {len(names)} signals"
                    raise _wrong_answer(controller, update, got, here)
                for index, value in enumerate(command[5]):
                    own[index] = value
            if names or command[3:] != told:
                told = _told(tell, desk, command)
            seen, going = advance(desk, command[0], command[1], command[2])
        except (TypeError, ValueError, OverflowError) as error:
            raise _wrong_answer(controller, update, _fault(command, names, error), here) from error
        if not going:
            break
    return seen, going, update + 1 - first


def _held(shell, desk, command):
    """(last command) => the next sample, whether the run goes on, updates done: the controller does not run."""
    duties = float(command["duty_a"]), float(command["duty_b"]), float(command["duty_c"])
    done, going = 0, True
    while going and done < CHUNK_UPDATES:
        seen, going = shell[2](desk, *duties)
        done += 1
    return seen, going, done


def run_python(member, progress=None):
    """(Member at tick 0) => (seconds spent stepping, sentence of a failure or None)."""
    from simcore.loop.run import PAUSE, make_desk, python_shell

    shell = python_shell()
    controller, scenario, names = member.controller, member.scenario, member.names
    state, command, ticks = member.states[0], member.commands[0], scenario.ticks
    desk = make_desk(member.common, ticks)
    own = memoryview(command["extra"])

    def here():
        return where(scenario, int(state["tick"]))

    updates, going, problem = 0, False, None
    begun = time.perf_counter()
    while going or (state["tick"] < ticks and state["status"] == OK):
        if not going:
            # At the start, and wherever faults begin or end.
            member.apply_faults(int(state["tick"]))
            desk[PAUSE] = min(ticks, member.faults.next_tick)
            seen = shell[0](desk)
        try:
            if member.frozen:
                seen, going, done = _held(shell, desk, command)
            else:
                seen, going, done = _chunk(controller, shell, desk, seen, own, names, updates, here)
        except _Failed as error:
            problem = str(error)
            break
        updates += done
        if progress is not None:
            progress(int(state["tick"]) * scenario.tick_s, ticks * scenario.tick_s)
    return time.perf_counter() - begun, problem
