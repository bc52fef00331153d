"""Many runs side by side, on all cores: each member gives bit for bit what its scenario gives alone.

Members are arrays of one record each (loop/member.py) that the compiled run steps in threads, without Python's lock. One
compiled loop over all members, parallel inside numba, is as fast (both take all of two cores) and could neither be stopped
nor give each member tables of its own; on a device, where a member is a thread, the same records are stacked.
"""

import os
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from contextlib import contextmanager
from threading import Event
from typing import Any, NamedTuple

from simcore.loop.bench import Bench
from simcore.loop.errors import RunError
from simcore.loop.loading import controller_maker
from simcore.scenario import ScenarioError

LOOK_S = 0.1  # wall time between two looks at progress and Ctrl-C


class MemberResult(NamedTuple):
    """One member: its number, what `take` made of its recording, and the sentence of what kept it from its end, or None.

    refused is True where scenario or tuning were wrong, so that nothing ran.
    """

    index: int
    value: Any
    error: str | None
    refused: bool = False


class _Stopped(Exception):
    """The ensemble was given up while this member ran."""


def run_ensemble(scenarios, take=None, *, controller=None, workers=None, progress=None):
    """Run every scenario; returns a list of MemberResult in their order.  See iterate_ensemble for the arguments."""
    total = len(scenarios) if hasattr(scenarios, "__len__") else None
    count = None if progress is None else lambda done: progress(done, total)
    found = iterate_ensemble(scenarios, take, controller=controller, workers=workers, progress=count)
    return sorted(found, key=lambda result: result.index)


def iterate_ensemble(scenarios, take=None, *, controller=None, workers=None, progress=None, drive=None):
    """Run every scenario and yield a MemberResult for each, in the order in which they finish.

    scenarios: an iterable of simcore.Scenario, asked for one by one as there is room, so that it may be a generator.
    take(recording) => the member's value, by default the verdicts of its expectations (simcore.measure.judge).  It is called
    in several threads at once, also for a run that broke off (recording.error says why; the value is None where nothing was
    recorded), and only as many recordings are held as there are workers and a few.
    controller(scenario) => a fresh controller instead of the scenario's class.
    workers: threads of the compiled run, by default one a core.  A controller in Python runs here, one member after another.
    drive(member, step, check) steps a compiled member (Member.run_compiled), by default to its end; check is its after_chunk.
    progress(done) is called some ten times a second in the calling thread, with the members done and parts of those that run.
    A wrong scenario or tuning is the member's error.  Leaving the generator stops what runs within 0.1 simulated seconds.
    """
    take = take or _verdicts
    make = controller or _Makers()
    with _crew(workers or usable_cores(), take, drive) as crew:
        for index, scenario in enumerate(scenarios):
            result = _begin(crew, index, scenario, make, take, progress)
            if result is not None:
                yield result
            while crew.full:
                yield from crew.finished(progress)
        while crew.running:
            yield from crew.finished(progress)


def usable_cores():
    """Cores that this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _verdicts(recording):
    from simcore.measure import judge

    return judge(recording, recording.scenario.expect)


class _Makers:
    """(scenario) => a fresh controller; a module that many members share is loaded once."""

    def __init__(self):
        self._known = {}

    def __call__(self, scenario):
        key = (scenario.controller.class_, scenario.path.parent)
        if key not in self._known:
            self._known[key] = controller_maker(scenario)
        return self._known[key]()


def _begin(crew, index, scenario, make, take, progress):
    """Start a member with a compiled controller; run one in Python. => its result where it is over already, else None."""
    try:
        bench = Bench(scenario, make(scenario))
        bench.load_kernels()
        member, step = bench.member()
        if step is not None:
            crew.start(index, member, step)
            return None
        tell = None if progress is None else lambda done_s, total_s: progress(crew.done + done_s / total_s)
        recording, error = _in_python(bench, member, tell)
    except RunError as failed:
        recording, error = failed.recording, str(failed)
    except ScenarioError as refused:
        crew.done += 1
        return MemberResult(index, None, str(refused), True)
    crew.done += 1
    return MemberResult(index, None if recording is None else take(recording), error)


def _in_python(bench, member, tell):
    from simcore.loop.python_shell import run_python

    member.wall_s, problem = run_python(member, tell)
    recording = member.close(problem)
    return recording, recording.error


class _Crew:
    """Threads that step members; as many more wait, so that none is idle while the next is made ready."""

    def __init__(self, pool, workers, take, drive):
        self._pool, self._room, self._take = pool, 2 * workers, take
        self._drive = drive or (lambda member, step, check: member.run_compiled(step, check))
        self.stop = Event()
        self.running = {}
        self.done = 0

    @property
    def full(self):
        return len(self.running) >= self._room

    def start(self, index, member, step):
        future = self._pool.submit(self._run, index, member, step)
        self.running[future] = member

    def _run(self, index, member, step):
        self._drive(member, step, self._check)
        recording = member.close()
        return MemberResult(index, self._take(recording), recording.error)

    def _check(self):
        if self.stop.is_set():
            raise _Stopped

    def finished(self, progress):
        """Wait a moment => results of the members that are through."""
        over, _ = wait(self.running, LOOK_S, FIRST_COMPLETED)
        for future in over:
            del self.running[future]
            self.done += 1
            yield future.result()
        if progress is not None:
            progress(self.done + sum(member.share for member in self.running.values()))


@contextmanager
def _crew(workers, take, drive):
    with ThreadPoolExecutor(workers, "member") as pool:
        crew = _Crew(pool, workers, take, drive)
        try:
            yield crew
        finally:
            crew.stop.set()
            pool.shutdown(wait=True, cancel_futures=True)
