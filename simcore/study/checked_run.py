"""A scenario run and judged once, with only what a test needs to know kept: verdicts, what moved, where the figures lie."""

from dataclasses import dataclass, field

from simcore.measure import judge
from simcore.measure.limits import NAMED_CODES, code_names
from simcore.report.files import write_results
from simcore.scenario import ScenarioError
from simcore.scenario.errors import file_label
from simcore.study.baseline.command import plain_runner
from simcore.study.baseline.comparison import compare
from simcore.study.baseline.document import baseline_path, read_baseline
from simcore.study.baseline.figure import draw_comparison
from simcore.study.baseline.tables import comparison_lines, summary


@dataclass
class CheckedRun:
    """problem: why the run did not end, "" where it did. moved: the comparison in lines, empty where nothing moved too far."""

    problem: str = ""
    verdicts: list = field(default_factory=list)
    baseline_problem: str = ""
    moved: list = field(default_factory=list)
    figures: list = field(default_factory=list)
    codes: dict = field(default_factory=dict)

    def names_of(self, signal):
        """{code: name} of a signal of codes, None for numbers."""
        return self.codes.get(signal)


def check_run(scenario, folder, *, compared=True):
    """(scenario, folder for results) => CheckedRun. Results are written where anything failed."""
    from simcore.loop import RunError

    checked = CheckedRun()
    try:
        recording = plain_runner(scenario)
    except ScenarioError as error:
        checked.problem = str(error)
        return checked
    except RunError as error:
        checked.problem = f"{scenario.path.name}: {error}"
        recording = error.recording
        if recording is None or len(recording.time_s) == 0:
            return checked
    checked.verdicts = judge(recording, scenario.expect)
    checked.codes = {signal: code_names(recording, signal) for signal in NAMED_CODES}
    comparison = None
    if compared and not checked.problem and baseline_path(scenario).is_file():
        comparison = _compared(checked, recording, scenario)
    if checked.problem or checked.moved or not all(verdict["passed"] for verdict in checked.verdicts):
        _write(checked, recording, scenario, folder, comparison)
    return checked


def _compared(checked, recording, scenario):
    try:
        comparison = compare(recording, read_baseline(scenario))
    except ScenarioError as error:
        checked.baseline_problem = str(error)
        return None
    if not comparison.within:
        checked.moved = [summary(comparison), *comparison_lines(comparison)[:-1]]
    return comparison


def _write(checked, recording, scenario, folder, comparison):
    pictures, more = {}, {}
    if comparison is not None and not comparison.within:
        pictures["baseline.png"] = lambda path: draw_comparison(comparison, scenario.name, path)
        more["baseline"] = comparison.told()
    try:
        write_results(recording, checked.verdicts, folder, pictures=pictures, more=more)
    except OSError as error:
        checked.figures = [f"none: {folder} cannot be written ({error.strerror or error})"]
        return
    checked.figures = [file_label(folder / name) for name in ("overview.png", *pictures)]


def expectation_name(expectation):
    """Expectation => a name for a test: signal, measure and window without blanks, "torque_Nm-mean[from=0.05s,to=0.1s]"."""
    parts = []
    for key, word, unit in (
        ("order", "order", ""), ("fundamental_Hz", "fundamental", "Hz"), ("step_at_s", "step", "s"), ("from_s", "from", "s"),
        ("to_s", "to", "s"), ("band_percent", "band", "%"),
    ):  # fmt: skip
        value = getattr(expectation, key)
        if value is not None and (key != "band_percent" or expectation.measure == "settling_time_s"):
            parts.append(f"{word}={value:g}{unit}")
    return f"{expectation.signal}-{expectation.measure}" + (f"[{','.join(parts)}]" if parts else "")
