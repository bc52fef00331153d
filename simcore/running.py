"""What `drybench run` does: read, run, judge, write and print, one scenario after the other."""

import json
import sys
import threading
import time
from pathlib import Path

from simcore.scenario import ScenarioError, load_scenario

MET, NOT_MET, WRONG_INPUT, NOT_FINISHED = 0, 1, 2, 3
COMPILE_NOTE_AFTER_S = 2.5
BAR_AFTER_S = 0.7


def say(text):
    """A plain line to the error stream."""
    print(text, file=sys.stderr, flush=True)


def scenario_files(paths):
    """(files and folders) => scenario files in order; raises ScenarioError for what cannot be run."""
    files, problems = [], []
    for given in paths:
        path = Path(given)
        if path.is_dir():
            found = sorted(p for p in path.glob("*.toml") if p.is_file())
            if not found:
                problems.append(f"{given}: the folder holds no scenario files (*.toml). Name a scenario file.")
            files += found
        else:
            files.append(path)
    stems = {}
    for file in files:
        other = stems.setdefault(file.stem, file)
        if other is not file:
            problems.append(
                f"{file}: has the same stem as {other}; their results would fall into one folder. Rename one or use --out."
            )
    if problems:
        raise ScenarioError(problems)
    return files


class CompileNote:
    """Says what the machine is busy with while kernels are compiled for the first time."""

    def __init__(self, quiet):
        self._timer = threading.Timer(COMPILE_NOTE_AFTER_S, self._tell)
        self._timer.daemon = True
        self._quiet = quiet

    def _tell(self):
        if not self._quiet:
            say("Compiling the simulation kernels (only after an installation or an upgrade; 10 to 20 seconds) ...")

    def __enter__(self):
        self._timer.start()
        return self

    def __exit__(self, *_):
        self._timer.cancel()


class Bar:
    """A progress bar that appears only when a run takes longer than a moment."""

    def __init__(self, label, quiet):
        self._label, self._quiet = label, quiet
        self._begun = time.perf_counter()
        self._progress = None

    def __call__(self, done_s, total_s):
        if self._quiet or not sys.stderr.isatty():
            return
        if self._progress is None:
            if time.perf_counter() - self._begun < BAR_AFTER_S or done_s >= total_s:
                return
            self._open(total_s)
        self._progress.update(self._task, completed=done_s)

    def _open(self, total_s):
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        self._progress = Progress(
            TextColumn("{task.description}", markup=False), BarColumn(), TextColumn("{task.percentage:3.0f} %"),
            TimeRemainingColumn(), console=Console(stderr=True), transient=True,
        )  # fmt: skip
        self._progress.start()
        self._task = self._progress.add_task(self._label, total=total_s)

    def close(self):
        """Take the bar off the terminal."""
        if self._progress is not None:
            self._progress.stop()


def _run_one(scenario, quiet):
    """(scenario) => recording, status; a run that broke off gives what it recorded and status 3."""
    from simcore.loop import Bench, RunError

    bar = Bar(scenario.name, quiet)
    try:
        bench = Bench(scenario)
        with CompileNote(quiet):
            bench.load_kernels()
        return bench.run(bar), MET
    except RunError as error:
        bar.close()
        say(f"{scenario.path.name}: {error}")
        return error.recording, NOT_FINISHED
    finally:
        bar.close()


def _load(files, overrides):
    """(files) => scenarios, and whether any was wrong; every problem of every file is printed."""
    scenarios, wrong = [], False
    for file in files:
        try:
            scenarios.append(load_scenario(file, overrides))
        except ScenarioError as error:
            say(str(error))
            wrong = True
    return scenarios, wrong


def run_files(paths, out, overrides=(), *, plot=True, csv=False, quiet=False, as_json=False):
    """(paths, results folder, overrides) => exit status; results are written for every scenario that ran."""
    from rich.console import Console

    try:
        files = scenario_files(paths)
    except ScenarioError as error:
        say(str(error))
        return WRONG_INPUT
    scenarios, wrong = _load(files, overrides)
    status = WRONG_INPUT if wrong else MET
    told = []
    console = Console(highlight=False)
    for scenario in scenarios:
        try:
            recording, outcome = _run_one(scenario, quiet)
        except ScenarioError as error:
            say(str(error))
            status = max(status, WRONG_INPUT)
            continue
        status = max(status, outcome)
        if recording is None:
            continue
        status = max(status, _report(scenario, recording, out, console, plot, csv, quiet, told if as_json else None))
    if as_json:
        print(json.dumps(told, indent=2))
    return status


def _report(scenario, recording, out, console, plot, csv, quiet, told):
    """(recording) => judged, written, printed; MET or NOT_MET, or WRONG_INPUT where the folder cannot be written."""
    from simcore.measure import judge
    from simcore.report import print_report, write_results
    from simcore.report.results import metrics

    expectations = judge(recording, scenario.expect)
    try:
        folder = write_results(recording, expectations, out / scenario.name, plot=plot and len(recording) > 0, csv=csv)
    except OSError as error:
        say(f"{out / scenario.name}: the results cannot be written: {error.strerror or error}. Choose another --out.")
        return WRONG_INPUT
    if told is not None:
        told.append(metrics(recording, expectations))
    elif not quiet:
        print_report(recording, expectations, console)
        console.print(f"Results: {folder}", soft_wrap=True, markup=False)
        console.print()
    return MET if all(e["passed"] for e in expectations) else NOT_MET
