"""The first start ever: two processes compile two halves of the compiled run into the cache.

numba compiles under one lock a process.  The intervals that go from edge to edge are half of the work and hang on one kernel
each, so that a second process makes them meanwhile; the run then finds them in the cache.
"""

import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

from numba import from_dtype, types

from controllers.contract import COMMAND, MEASURED
from simcore.kernel import code_folder
from simcore.loop.records import BENCH, SCOPE, STATE

HALF = "from simcore.loop.first_compile import compile_intervals; compile_intervals()"
PACKAGES = str(Path(__file__).resolve().parents[2])


def _types():
    number, bench, state = types.float64, from_dtype(BENCH), from_dtype(STATE)
    table = types.Array(number, 1, "C")
    interval = (bench, state, table, types.Array(from_dtype(SCOPE), 1, "C"), types.Array(number, 2, "C"), *[number] * 3)
    return bench, state, table, interval


def compile_intervals():
    """Compiles the intervals of a tick that go from edge to edge."""
    from simcore.loop.faulty_interval import advance_faulty
    from simcore.loop.interval import advance_switched

    *_, interval = _types()
    advance_switched.compile(interval)
    advance_faulty.compile(interval)


def compile_stages():
    """Compiles the larger ones of the other stages of a tick."""
    from simcore.loop.interval import advance_averaged
    from simcore.loop.stages import account, apply_command, begin_tick, record_state, sense, take_command
    from simcore.safety.monitor import protect
    from simcore.safety.monitor_hardware import watch_tick

    bench, state, table, interval = _types()
    measured, command = from_dtype(MEASURED), from_dtype(COMMAND)
    advance_averaged.compile(interval)
    account.compile((bench, state, table))
    sense.compile((bench, state, measured, table, types.int64, types.float64))
    protect.compile((bench, state, measured, command, table, types.float64))
    watch_tick.compile((bench, state, table, types.int64))
    begin_tick.compile((bench, state, table, types.int64))
    apply_command.compile((bench, state, table))
    record_state.compile((bench, state, table, table))
    take_command.compile((bench, state, command))


@contextmanager
def second_process():
    """In this block a second process compiles its half, where nothing is compiled yet and there is a core for it.

    Yields a function that compiles the other half here and then waits for it.  This is a matter of speed alone: whatever keeps
    the process from its end, what it did not make is compiled where it is needed.
    """
    from simcore.loop.ensemble import usable_cores

    known = any(Path(code_folder()).glob("*/interval.advance_switched*.nbi"))
    if known or usable_cores() < 2 or not sys.executable:
        yield lambda: None
        return
    quiet = {"stdin": subprocess.DEVNULL, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    try:
        process = subprocess.Popen([sys.executable, "-c", HALF], cwd=PACKAGES, **quiet)
    except OSError:
        yield lambda: None
        return

    def finish():
        compile_stages()
        process.wait()

    try:
        yield finish
    finally:
        process.kill()
        process.wait()
