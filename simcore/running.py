"""What `drybench run` does: read, run, judge, write and print, one scenario after the other."""

import gc
import json
import sys
import time
from contextlib import nullcontext, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

from simcore.report.interruption import ended_at_once, interruptible
from simcore.report.outcomes import Outcome, print_end
from simcore.report.progress import Bar, compile_note, say, writing_note
from simcore.scenario import ScenarioError, load_scenarios
from simcore.scenario.files import scenario_files

MET, NOT_MET, WRONG_INPUT, NOT_FINISHED = 0, 1, 2, 3
MOST_EXPLAINED = 400_000  # rows up to which limits and orders are looked at right after the run


@dataclass(frozen=True)
class Options:
    """What the command line asks for besides the files."""

    out: Path
    plot: bool = True
    csv: bool = False
    quiet: bool = False
    as_json: bool = False
    against_baseline: bool = False

    @property
    def tables(self):
        return not (self.quiet or self.as_json)


def run_files(paths, out, overrides=(), *, plot=True, csv=False, quiet=False, as_json=False, against_baseline=False):
    """(paths, results folder, overrides) => exit status; results are written for every scenario that ran."""
    options = Options(Path(out), plot, csv, quiet, as_json, against_baseline)
    document = sys.stdout
    # A controller that prints must not spoil the JSON document.
    with interruptible() as check, redirect_stdout(sys.stderr) if as_json else nullcontext():
        outcomes = _run_all(paths, overrides, options, check)
    if as_json:
        print(json.dumps([outcome.told for outcome in outcomes], indent=2), file=document)
    elif options.tables and any(outcome.told.get("timing") for outcome in outcomes):
        print_end(outcomes)
    return max((outcome.status for outcome in outcomes), default=WRONG_INPUT)


def _run_all(paths, overrides, options, check):
    """=> outcomes in the order of the files; empty where the paths themselves are wrong."""
    try:
        if not str(options.out).strip():
            raise ScenarioError(["--out: is empty. Name a folder for the results."])
        files = scenario_files(paths)
    except ScenarioError as error:
        say(str(error))
        return []
    said = set()
    scenarios = _distinct([scenario for file in files for scenario in _load(file, overrides, said)])
    count = sum(not isinstance(scenario, Outcome) for scenario in scenarios)
    outcomes, begun = [], 0
    for scenario in scenarios:
        if not isinstance(scenario, Outcome):
            begun += 1
            label = scenario.name if count == 1 else f"{scenario.name} ({begun} of {count})"
            scenario = _run_one(scenario, label, options, check)
        outcomes.append(scenario)
    return outcomes


def _load(file, overrides, said):
    """(file) => its Scenarios (a template has several), or the Outcome of a wrong one."""
    try:
        return load_scenarios(file, overrides)
    except ScenarioError as error:
        return (_refused(file.stem, error, said),)


def _distinct(scenarios):
    """A template's case may be named like another file: their results would fall into one folder."""
    names, told = set(), []
    for scenario in scenarios:
        if scenario.name in names and not isinstance(scenario, Outcome):
            problem = f"{scenario.path.name}: a second scenario is named {scenario.name}. Rename one, or run it on its own."
            scenario = _refused(scenario.name, ScenarioError([problem]))
        names.add(scenario.name)
        told.append(scenario)
    return told


def _refused(name, error, said=()):
    """Print the sentences of a wrong scenario; those said of another file before (a wrong --set) not again."""
    for problem in error.problems:
        if problem not in said:
            say(problem)
    if said != ():
        said.update(error.problems)
    told = {"scenario": name, "status": "error", "error": "\n".join(error.problems)}
    return Outcome(name, WRONG_INPUT, "wrong input", told)


def _failed(scenario, status, words, sentence):
    say(sentence)
    return Outcome(scenario.name, status, words, {"scenario": scenario.name, "status": "error", "error": sentence})


def _run_one(scenario, label, options, check):
    """(scenario) => Outcome: run, judged, written, printed. A fault of ours or of a controller stops only this scenario."""
    begun = time.perf_counter()
    folder = options.out / scenario.name
    try:
        outcome = _stages(scenario, label, folder, options, check, begun)
    except ScenarioError as error:
        outcome = _refused(scenario.name, error)
    except BrokenPipeError:
        raise
    except OSError as error:
        outcome = _failed(scenario, WRONG_INPUT, "not written", _cannot_write(folder, error.strerror or error))
    except MemoryError:
        remedy = "Raise run.record_every, shorten the run or its scopes"
        sentence = f"{scenario.path.name}: there is not enough memory for the recording. {remedy}."
        outcome = _failed(scenario, NOT_FINISHED, "could not finish", sentence)
    except Exception as error:
        from simcore.report.unexpected import told_unexpected

        sentence = told_unexpected(error, folder, scenario.path.name)
        outcome = _failed(scenario, NOT_FINISHED, "could not finish", sentence)
    outcome.seconds = time.perf_counter() - begun
    return outcome


def _cannot_write(folder, why):
    return f"{folder}: the results cannot be written: {why}. Choose another --out."


def _stages(scenario, label, folder, options, check, begun):
    """The stages of one scenario; between them a look whether Ctrl-C was pressed."""
    from simcore.measure import judge
    from simcore.report.files import unwritable, write_results
    from simcore.report.results import metrics

    # Before the run, because a long one would be lost.
    if why := unwritable(folder):
        return _failed(scenario, WRONG_INPUT, "not written", _cannot_write(folder, why))
    baseline = _baseline(scenario) if options.against_baseline else None
    recording, sentence = _recorded(scenario, label, options, check)
    if recording is None:
        return _failed(scenario, NOT_FINISHED, "could not finish", sentence)
    if sentence:
        say(sentence)
    check()
    comparison = _compared(recording, baseline) if baseline is not None and not sentence else None
    more, pictures = _comparison_results(scenario, comparison)
    with writing_note(label, options.quiet):
        expectations = judge(recording, scenario.expect)
        drawn = {"plot": options.plot, "pictures": pictures}
        write_results(recording, expectations, folder, csv=options.csv, begun=begun, more=more, **drawn)
    check()
    if options.tables:
        _print(recording, expectations, folder, comparison, options.plot)
    status, words = _verdict(expectations, comparison, sentence)
    return Outcome(scenario.name, status, words, metrics(recording, expectations, more))


def _baseline(scenario):
    from simcore.study.baseline.document import read_baseline

    return read_baseline(scenario)


def _compared(recording, baseline):
    from simcore.study.baseline.comparison import compare

    return compare(recording, baseline)


def _comparison_results(scenario, comparison):
    """=> entries of metrics.json, pictures to draw."""
    if comparison is None:
        return {}, {}

    def draw(path):
        from simcore.study.baseline.figure import draw_comparison

        draw_comparison(comparison, scenario.name, path)

    return {"baseline": comparison.told()}, {"baseline.png": draw}


def _verdict(expectations, comparison, sentence):
    """=> exit status of a scenario, and its words at the end of several."""
    met = sum(verdict["passed"] for verdict in expectations)
    if sentence:
        return NOT_FINISHED, "could not finish"
    kept = met == len(expectations)
    words = f"{'met' if kept else 'NOT MET'} ({met} of {len(expectations)})" if expectations else "no expectations"
    if comparison is not None:
        kept = kept and comparison.within
        words += ", nothing moved" if comparison.within else f", MOVED ({len(comparison.beyond)})"
    return (MET if kept else NOT_MET), words


def _print(recording, expectations, folder, comparison, plot):
    from rich.console import Console

    from simcore.report.tables import print_report

    console = Console(highlight=False)
    print_report(recording, expectations, console)
    if not getattr(recording, "error", None) and len(recording) > MOST_EXPLAINED:
        console.print()
        console.print(f"On limits and ripple: drybench explain {folder}", soft_wrap=True, markup=False)
    elif not getattr(recording, "error", None):
        from simcore.study.explain.explanation import explain_recording
        from simcore.study.explain.text import print_short

        console.print()
        for name in recording.signals:
            recording.forget(name)  # what tables and files derived is not held meanwhile
        print_short(explain_recording(recording, short=True), recording, console, folder)
    if comparison is not None:
        from simcore.study.baseline.tables import print_comparison

        console.print()
        print_comparison(comparison, console, folder / "baseline.png" if plot else None)
    else:
        console.print()
    console.print(f"Results: {folder}", soft_wrap=True, markup=False)
    console.print()


def _recorded(scenario, label, options, check):
    """(scenario) => recording or None, and the sentence of a run that broke off ("" where it did not)."""
    from simcore.loop import Bench, RunError

    bar = Bar(label, options.quiet)

    def progress(done_s, total_s):
        check()
        bar(done_s, total_s)

    try:
        bench = Bench(scenario)
        with compile_note(options.quiet), ended_at_once():
            bench.load_kernels()
        # What starting made stays: nothing of it is looked at again (see cli.run).
        gc.freeze()
        gc.enable()
        check()
        return bench.run(progress), ""
    except RunError as error:
        return error.recording, f"{scenario.path.name}: {error}"
    finally:
        bar.close()
