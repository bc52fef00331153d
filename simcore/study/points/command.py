"""What the commands `sweep` and `tolerance` share: read, prepare, run with bar and Ctrl-C, keep, write."""

import gc
import sys
from contextlib import nullcontext, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

from simcore.report.files import unwritable
from simcore.report.interruption import ended_at_once, interruptible
from simcore.report.progress import Bar, compile_note, say, writing_note
from simcore.scenario import ScenarioError, load_scenario
from simcore.study.points.executors import ExecutorFailed, chosen_executor
from simcore.study.points.kept import kept_count

MET, NOT_MET, WRONG_INPUT, NOT_FINISHED = 0, 1, 2, 3


@dataclass(frozen=True)
class Options:
    """What the command line asks for besides the scenario."""

    out: Path
    overrides: tuple = ()
    executor: str | None = None
    plot: bool = True
    quiet: bool = False
    as_json: bool = False

    @property
    def tables(self):
        return not (self.quiet or self.as_json)


class Command:
    """One call of a study's command.  name: "sweep" or "tolerance"; run(scenario, **how) => result; write(result, folder)."""

    def __init__(self, name, options):
        self.name, self.options = name, options

    def call(self, path, run, write):
        """(scenario file, run, write) => (exit status, result or None); every sentence is said here."""
        # A controller that prints must not spoil the JSON document.
        with interruptible() as check, redirect_stdout(sys.stderr) if self.options.as_json else nullcontext():
            try:
                return self._stages(Path(path), run, write, check)
            except ScenarioError as error:
                say(str(error))
                return WRONG_INPUT, None

    def _stages(self, path, run, write, check):
        options = self.options
        if not str(options.out).strip():
            raise ScenarioError(["--out: is empty. Name a folder for the results."])
        scenario = load_scenario(path, options.overrides)
        folder = options.out / scenario.name
        if why := unwritable(folder):
            raise ScenarioError([f"{folder}: the results cannot be written: {why}. Choose another --out."])
        self._load_kernels(scenario)
        check()
        kept = folder / f"{self.name}.partial"
        try:
            result = self._run(scenario, run, kept, check)
            if result is None:
                return NOT_FINISHED, None
            with writing_note(scenario.name, options.quiet):
                write(result, folder)
        except OSError as error:
            say(f"{folder}: the results cannot be written: {error.strerror or error}. Choose another --out.")
            return WRONG_INPUT, None
        kept.unlink(missing_ok=True)
        check()
        return None, result

    def _load_kernels(self, scenario):
        from simcore.loop import Bench

        bench = Bench(scenario)
        with compile_note(self.options.quiet), ended_at_once():
            bench.load_kernels()
        # What starting made stays: nothing of it is looked at again.
        gc.freeze()
        gc.enable()

    def _run(self, scenario, run, kept, check):
        """=> the result, None where an executor gave up."""
        bar = Bar(f"{scenario.name}: {self.name}", self.options.quiet)

        def progress(done, total):
            check()
            bar(done, total)

        def resumed(done, total):
            if not self.options.quiet:
                say(f"{scenario.name}: {done} of {total} were done before ({kept}); going on from there.")

        try:
            with chosen_executor(self.options.executor, scenario) as (executor, workers):
                how = {"executor": executor, "workers": workers, "progress": progress, "kept": kept, "resumed": resumed}
                return run(scenario, **how)
        except ExecutorFailed as error:
            done = f" after {error.done} of {error.total}" if hasattr(error, "done") else ""
            say(f"{scenario.name}: the executor failed{done}: {error}. {_going_on(kept)}".rstrip())
            return None
        except KeyboardInterrupt:
            bar.close()
            if going_on := _going_on(kept):
                say(f"{scenario.name}: {going_on}")
            raise
        finally:
            bar.close()


def _going_on(kept):
    count = kept_count(kept)
    return f"{count} results are kept in {kept}; the same call goes on from there." if count else ""


def status_of(points):
    """(Points) => exit status: 0 all met, 1 one not, 2 all refused, 3 none could finish."""
    ran = [point for point in points if not point.refused]
    if not ran:
        return WRONG_INPUT
    if all(point.error is not None for point in ran):
        return NOT_FINISHED
    return MET if len(ran) == len(points) and all(point.met for point in ran) else NOT_MET
