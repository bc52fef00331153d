"""Test runs in forks of one process that has imported and compiled everything: starting anew takes longer than most tests.

Run in the tree under test, `python mutant_server.py [preload]`: a line of stdin is an order {"paths", "number", "limit_s"}, a
line of stdout the answer {"status", "told"}: exit status of pytest (negative: the signal that ended it; null: it ran out of
time) and what it printed.
"""

import json
import os
import resource
import signal
import sys
import tempfile
import time

sys.path.insert(0, os.getcwd())


def _preload():
    import scipy.integrate  # noqa: F401
    import scipy.optimize  # noqa: F401

    from controllers.foc import FieldOrientedController
    from simcore import Bench  # noqa: F401
    from simcore.loop.run import compiled_run, python_shell
    from simcore.scenario.reader import scenario_from  # noqa: F401

    compiled_run()
    python_shell()
    FieldOrientedController.compiled_function()


def _child(paths, number, limit_s, output):
    """In the fork: the mutant switched on, output into a file, pytest; does not come back."""
    status = 3
    try:
        os.setsid()
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
        os.dup2(output.fileno(), 1)
        os.dup2(output.fileno(), 2)
        resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s + 5))
        os.environ["DRYBENCH_MUTANT"] = str(number)
        if switch := sys.modules.get("simcore.mutant_switch"):
            switch._NUMBER.value = number
        import pytest

        status = int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", *paths]))
        sys.stdout.flush()
    finally:
        os._exit(status)


def _answer(paths, number, limit_s):
    """Waiting counts five times less than work, so that a busy machine makes no hang."""
    with tempfile.TemporaryFile("w+") as output:
        child = os.fork()
        if child == 0:
            _child(paths, number, limit_s, output)
        done, status = 0, 0
        try:
            end = time.monotonic() + 5.0 * limit_s
            while not done and time.monotonic() < end:
                time.sleep(0.02)
                done, status = os.waitpid(child, os.WNOHANG)
        finally:
            _end(child)
        if not done:
            os.waitpid(child, 0)
        output.seek(0)
        told = output.read()
    code = os.waitstatus_to_exitcode(status)
    return {"status": code if done and code not in (-signal.SIGXCPU, -signal.SIGKILL) else None, "told": told}


def _end(child):
    """Ends a test run with whatever it started."""
    try:
        os.killpg(child, signal.SIGKILL)
    except ProcessLookupError:
        pass


if __name__ == "__main__":
    if sys.argv[1:] == ["preload"]:
        _preload()
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        for line in sys.stdin:
            print(json.dumps(_answer(**json.loads(line))), flush=True)
    except KeyboardInterrupt:
        pass
