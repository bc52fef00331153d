"""Where the points of a study run: threads here, processes of this machine, or the machines behind an executor's address."""

import signal
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, ProcessPoolExecutor, wait
from contextlib import contextmanager
from multiprocessing import get_context

from simcore.loop.ensemble import LOOK_S, usable_cores
from simcore.loop.loading import load_controller
from simcore.scenario import ScenarioError
from simcore.scenario.errors import did_you_mean
from simcore.study.points.job import OtherVersion, run_block

LARGEST_BLOCK = 64
CONNECT_S = 10.0
SCHEMES = ("dask",)


class ExecutorFailed(RuntimeError):
    """The executor died or lost its workers; points that came back before are kept."""


@contextmanager
def chosen_executor(address, scenario):
    """(text of --executor or None, Scenario) => context with (executor or None, its workers).

    None: threads of this process, where the controller is compiled; else a pool of processes, one a core.  Raises ScenarioError
    for an address that is none, ExecutorFailed where nobody answers.
    """
    if address is not None:
        with _dask(_checked(address)) as found:
            yield found
    elif hasattr(load_controller(scenario), "compiled_step"):
        yield None, usable_cores()
    else:
        with own_processes(usable_cores()) as pool:
            yield pool, usable_cores()


def _checked(address):
    scheme, _, rest = str(address).partition("://")
    if scheme not in SCHEMES or not rest:
        example = "Write --executor dask://HOST:PORT."
        hint = example if scheme in SCHEMES or not rest else did_you_mean(scheme, SCHEMES, example)
        raise ScenarioError([f"--executor {address}: is no address of an executor. {hint}"])
    host, _, port = rest.rpartition(":")
    if not host or not port.isdigit():
        raise ScenarioError([f"--executor {address}: has no host or no port. Write --executor dask://HOST:PORT."])
    return rest


@contextmanager
def _dask(place):
    """A scheduler of dask.distributed through its concurrent.futures interface."""
    try:
        from distributed import Client
    except ImportError as error:
        raise ScenarioError(
            ['--executor: dask:// needs dask.distributed, which is not installed. Run: pip install "drybench[dask]"']
        ) from error
    try:
        client = Client(f"tcp://{place}", timeout=CONNECT_S, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise ExecutorFailed(f"dask://{place} does not answer ({_said(error)})") from error
    try:
        threads = sum(client.nthreads().values())
        if not threads:
            raise ExecutorFailed(f"dask://{place} has no workers")
        yield client.get_executor(retries=0), threads
    finally:
        client.close(timeout=CONNECT_S)


def _leave_ctrl_c_to_the_parent():
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def own_processes(workers):
    """Processes that start afresh (spawn), so that nothing of this one's threads is copied; gone when the context is left."""
    pool = ProcessPoolExecutor(workers, get_context("spawn"), _leave_ctrl_c_to_the_parent)
    try:
        yield pool
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
        for process in list((pool._processes or {}).values()):
            process.terminate()


def points_of(job, todo, executor=None, workers=None, progress=None):
    """(Job, [(number, values), ...]) => Points as they finish, by any executor of concurrent.futures; None: threads here.

    progress(done) is called some ten times a second.  Raises ExecutorFailed where the executor gives up.
    """
    todo = list(todo)
    if executor is None:
        yield from job.here(todo, workers, progress)
        return
    workers = workers or usable_cores()
    size = max(1, min(LARGEST_BLOCK, len(todo) // (4 * workers)))
    blocks = [todo[begin : begin + size] for begin in range(0, len(todo), size)]
    for block in _finished(executor, job, blocks, progress):
        yield from block


def _finished(executor, job, blocks, progress):
    """Blocks of points as they come back; what has not begun is called off when this generator is left."""
    waiting, done = set(), 0
    try:
        waiting |= {_given(executor, job, block) for block in blocks}
        while waiting:
            over, waiting = wait(waiting, LOOK_S, FIRST_COMPLETED)
            # What came back whole is handed on before a failure is told.
            for future in sorted(over, key=_failed):
                block = _result(future)
                done += len(block)
                yield block
            if progress is not None:
                progress(done)
    finally:
        for future in waiting:
            future.cancel()


def _failed(future):
    return future.cancelled() or future.exception() is not None


def _given(executor, job, block):
    try:
        return executor.submit(run_block, job, block)
    except (BrokenExecutor, OSError, RuntimeError) as error:
        raise ExecutorFailed(_said(error)) from error


def _result(future):
    try:
        return future.result()
    except OtherVersion as error:
        raise ExecutorFailed(str(error)) from error
    except (BrokenExecutor, CancelledError, OSError, TimeoutError) as error:
        raise ExecutorFailed(_said(error)) from error
    except Exception as error:
        # An executor's own errors carry the names of its package.
        if type(error).__module__.split(".")[0] in ("distributed", "dask"):
            raise ExecutorFailed(_said(error)) from error
        raise


def _said(error):
    text = " ".join(str(error).split())[:200]
    return f"{type(error).__name__}: {text}" if text else type(error).__name__
