"""What `drybench baseline` does: run each scenario, and write its numbers beside it."""

from rich.console import Console

from simcore.report.interruption import interruptible
from simcore.report.progress import Bar, compile_note, say
from simcore.report.tables import say as tell
from simcore.scenario import ScenarioError, load_scenarios
from simcore.scenario.errors import file_label
from simcore.scenario.files import scenario_files
from simcore.study.baseline.comparison import compare
from simcore.study.baseline.contents import course, numbers
from simcore.study.baseline.document import baseline_path, older_baseline, write_baseline, written
from simcore.study.baseline.sensitivity import found_moves
from simcore.study.baseline.tables import comparison_lines

WRITTEN, WRONG_INPUT, NOT_FINISHED = 0, 2, 3


def write_baselines(paths, *, quiet=False):
    """(files and folders) => exit status. One baseline a scenario, beside its file; what moved since the last is told."""
    try:
        files = scenario_files(paths)
    except ScenarioError as error:
        say(str(error))
        return WRONG_INPUT
    status = WRITTEN
    with interruptible() as check:
        for file in files:
            status = max(status, _write_all(file, quiet, check))
    return status


def _write_all(file, quiet, check):
    from simcore.loop import RunError

    status = WRITTEN
    try:
        for scenario in load_scenarios(file):
            check()
            try:
                lines = update_baseline(scenario, _runner(scenario.name, quiet, check))
            except RunError as error:
                say(f"{file.name}: {error} Nothing was written.")
                status = NOT_FINISHED
                continue
            if not quiet:
                console = Console(highlight=False)
                for line in lines:
                    tell(console, line, hanging=4)
    except ScenarioError as error:
        say(str(error))
        return WRONG_INPUT
    except OSError as error:
        say(f"{file_label(file)}: its baseline cannot be written: {error.strerror or error}. Check the folder.")
        return WRONG_INPUT
    return status


def _runner(label, quiet, check):
    """A function that runs a scenario with bar and note."""
    from simcore.loop import Bench

    def run(scenario):
        bar = Bar(label, quiet)

        def progress(done_s, total_s):
            check()
            bar(done_s, total_s)

        try:
            bench = Bench(scenario)
            with compile_note(quiet):
                bench.load_kernels()
            return bench.run(progress)
        finally:
            bar.close()

    return run


def plain_runner(scenario):
    """Run a scenario silently => Recording. Raises RunError or ScenarioError."""
    from simcore.loop import Bench

    return Bench(scenario).run()


def update_baseline(scenario, run, recording=None):
    """(scenario, function that runs one, its recording if there is one) => lines that tell what was written, what moved.

    Raises RunError where a run cannot finish, OSError where the file cannot be written; the older file stays then.
    """
    older = older_baseline(scenario)
    recording = run(scenario) if recording is None else recording
    moves = found_moves(scenario, numbers(recording), course(recording), run)
    path = baseline_path(scenario)
    changed = write_baseline(path, written(recording, moves, older))
    from simcore.measure import judge

    failed = [verdict for verdict in judge(recording, scenario.expect) if not verdict["passed"]]
    label, count = file_label(path), f"{len(numbers(recording))} numbers, {len(course(recording).signals)} courses"
    lines = [f"Wrote {label}: {count}." if changed else f"{label} stays as it is: {count}."]
    if failed:
        lines.append(f"  Told: {len(failed)} of {len(scenario.expect)} expectations are NOT met in it.")
    if older is not None and changed:
        lines += comparison_lines(compare(recording, older))
    return lines
