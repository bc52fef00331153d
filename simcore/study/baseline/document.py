"""The baseline file: JSON with a line a number and a line a stretch, so that a difference reads in any version control."""

import json
import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

from simcore.report.results import drybench_version
from simcore.scenario import ScenarioError
from simcore.scenario.errors import FileProblem, existing_text, file_label
from simcore.study.baseline.contents import Course, course, inputs, kept, numbers

FORMAT = 1
_NOTE = 'To allow more or less than a tolerance write "allowed": NUMBER behind it; that stays when the file is written anew.'


class Kept(NamedTuple):
    """An entry of the file: value (nan for none, or a course), unit, tolerance, and what a person allows or None."""

    value: float
    unit: str
    tolerance: float
    allowed: float | None

    @property
    def limit(self):
        return self.tolerance if self.allowed is None else self.allowed


@dataclass(frozen=True)
class Baseline:
    """A baseline that was read: numbers {name: Kept}, the course and its signals {signal: Kept}, inputs {key: value}."""

    path: Path
    version: str
    inputs: dict
    numbers: dict
    course: Course
    signals: dict


def baseline_path(scenario):
    """scenario => <scenario>.baseline.json beside its file; a template has one a case."""
    return scenario.path.parent / f"{scenario.name}.baseline.json"


def written(recording, moves, older=None):
    """(recording, what a disturbance moves, older Baseline or None) => text of the file."""
    found, its_course = numbers(recording), course(recording)
    share = recording.scenario.baseline.tolerance
    document = {
        "drybench": drybench_version(),
        "format": FORMAT,
        "scenario": recording.scenario.name,
        "note": _NOTE,
        "input": inputs(recording.scenario),
        "measures": [
            {"name": name, "value": number.kept, "unit": number.unit}
            | _tolerance(share * number.scale, moves[0].get(name, 0.0), older and older.numbers.get(name))
            for name, number in found.items()
        ],
        "courses": [
            {"signal": signal, "unit": _unit(found, signal)}
            | _tolerance(share * its_course.scale(signal), moves[1].get(signal, 0.0), older and older.signals.get(signal))
            for signal in its_course.signals
        ],
        "columns": ["from_s", *(f"{end} {signal}" for signal in its_course.signals for end in ("least", "greatest"))],
        "rows": _rows(its_course),
    }
    return _text(document)


def _unit(found, signal):
    return found[f"mean of {signal}, whole run"].unit


def _tolerance(least, moved, older):
    """Two digits are plenty; what a person allowed in the older file is kept."""
    told = {"tolerance": float(f"{max(least, moved):.1e}")}
    return told | ({"allowed": older.allowed} if older and older.allowed is not None else {})


def _rows(its_course):
    scales = [(its_course.signals[name], its_course.scale(name)) for name in its_course.signals]
    rows = [
        [float(f"{begin:.9g}"), *(kept(float(value), scale) for values, scale in scales for value in values[k])]
        for k, begin in enumerate(its_course.edges_s[:-1])
    ]
    return [*rows, [float(f"{its_course.edges_s[-1]:.9g}")]]


def _text(document):
    """JSON whose lists have a line an entry, and whose keys stand in the order given."""
    lines = []
    for key, value in document.items():
        if isinstance(value, dict):
            inner = [f"    {json.dumps(k)}: {json.dumps(v, allow_nan=False)}" for k, v in value.items()]
            told = "{\n" + ",\n".join(inner) + "\n  }"
        elif isinstance(value, list) and key != "columns":
            told = "[\n" + ",\n".join(f"    {json.dumps(entry, allow_nan=False)}" for entry in value) + "\n  ]"
        else:
            told = json.dumps(value, allow_nan=False)
        lines.append(f"  {json.dumps(key)}: {told}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def write_baseline(path, text):
    """(path, text) => True where the file's text changed. Whole or not at all."""
    path = Path(path)
    if path.is_file() and path.read_bytes() == text.encode():
        return False
    partial = path.with_name(f".{path.name}.partial-{os.getpid()}")
    try:
        partial.write_text(text, encoding="utf-8", newline="\n")
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)
    return True


def read_baseline(scenario):
    """scenario => Baseline. Raises ScenarioError with one sentence for no such file, or another scenario's or version's."""
    path = baseline_path(scenario)
    try:
        return _baseline(path, scenario.name, json.loads(existing_text(path)))
    except FileProblem as problem:
        missing = problem.rule == "no such file"
        rule, remedy = ("no such baseline", _write(scenario, "Write one")) if missing else (problem.rule, problem.remedy)
        raise ScenarioError([f"{file_label(path)}: {rule}. {remedy}."]) from None
    except _Unfit as unfit:
        raise ScenarioError([f"{file_label(path)}: {unfit}. {_write(scenario)}."]) from None
    except (ValueError, TypeError, KeyError, AttributeError, IndexError):
        raise ScenarioError([f"{file_label(path)}: is no baseline of drybench. {_write(scenario)}."]) from None


def older_baseline(scenario):
    """scenario => the Baseline that lies beside it, None where none can be read."""
    try:
        return read_baseline(scenario)
    except ScenarioError:
        return None


class _Unfit(Exception):
    """A baseline of another scenario, format or version."""


def _write(scenario, how="Write it anew"):
    return f"{how}: drybench baseline {file_label(scenario.path)}"


def _baseline(path, name, document):
    if document["format"] != FORMAT:
        raise _Unfit(f"has the format {document['format']} of another version, this one reads {FORMAT}")
    if document["scenario"] != name:
        raise _Unfit(f'is the baseline of "{document["scenario"]}", not of "{name}"')
    theirs, ours = str(document["drybench"]), drybench_version()
    if theirs.split(".")[:2] != ours.split(".")[:2]:
        raise _Unfit(f"was written by drybench {theirs}, this is {ours}, whose models may give other numbers")
    *rows, (end,) = document["rows"]
    signals = {entry["signal"]: _entry(entry) for entry in document["courses"]}
    values = {signal: _pairs(rows, 1 + 2 * k) for k, signal in enumerate(signals)}
    return Baseline(
        path=path, version=theirs, inputs=dict(document["input"]),
        numbers={entry["name"]: _entry(entry) for entry in document["measures"]},
        course=Course(np.array([*(row[0] for row in rows), end], dtype=np.float64), values), signals=signals,
    )  # fmt: skip


def _entry(entry):
    allowed = entry.get("allowed")
    return Kept(
        _number(entry.get("value")), entry["unit"], float(entry["tolerance"]), None if allowed is None else float(allowed)
    )


def _pairs(rows, at):
    """(rows, number of a column) => that column and the next (n, 2)."""
    return np.array([[_number(value) for value in row[at : at + 2]] for row in rows], dtype=np.float64).reshape(-1, 2)


def _number(value):
    return math.nan if value is None else float(value)
