"""Drive cycles: shipped ones by name, own ones from a CSV file; speed and slope over time, straight between the points."""

import csv
import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import simcore
from simcore.scenario import ScenarioError
from simcore.scenario.errors import FileProblem, did_you_mean, existing_text, file_label, printable

COLUMNS = ("time_s", "speed_kmh")
GRADE = "grade_percent"
FASTEST_kmh, STEEPEST_percent, LONGEST_s = 500.0, 100.0, 1e6
_REGULAR_SHARE, _GAP = 0.9, 1.5
_TOLD_AT_ONCE = 5


@dataclass(frozen=True)
class Cycle:
    """A speed over time.  time_s, speed_kmh, grade_percent: arrays (n,); grade None: the scenario's; source: where from;
    begin_s: where a part of a cycle begins in it."""

    name: str
    time_s: np.ndarray
    speed_kmh: np.ndarray
    grade_percent: np.ndarray | None = None
    source: str = ""
    begin_s: float = 0.0

    @property
    def duration_s(self):
        return float(self.time_s[-1])

    @property
    def distance_km(self):
        """Way of straight ramps between the points [km]."""
        return float(np.trapezoid(self.speed_kmh, self.time_s)) / 3600.0

    def speed_at(self, time_s):
        """time (n,) [s] => speed [m/s]."""
        return np.interp(time_s, self.time_s, self.speed_kmh) / 3.6

    def between(self, from_s, to_s):
        """The part of the cycle from one time to another [s], counted from its own beginning; it may begin in motion."""
        inside = (self.time_s > from_s) & (self.time_s < to_s)
        time = np.concatenate([[from_s], self.time_s[inside], [to_s]])
        part = lambda values: np.interp(time, self.time_s, values)  # noqa: E731
        grade = None if self.grade_percent is None else part(self.grade_percent)
        return Cycle(f"{self.name} {from_s:g} to {to_s:g} s", time - from_s, part(self.speed_kmh), grade, self.source, from_s)

    def repeated(self, count):
        """The cycle driven `count` times; a jump of speed between two of them takes a thousandth of a second."""
        if count <= 1:
            return self
        again = 1 if self.speed_kmh[0] == self.speed_kmh[-1] and _same_grade(self) else 0
        time = [self.time_s]
        for k in range(1, count):
            time.append(self.time_s[again:] + k * self.duration_s + (0.0 if again else 1e-3 * k))
        parts = lambda values: np.concatenate([values, *[values[again:]] * (count - 1)])  # noqa: E731
        grade = None if self.grade_percent is None else parts(self.grade_percent)
        return Cycle(f"{self.name} x {count}", np.concatenate(time), parts(self.speed_kmh), grade, self.source)


def _same_grade(cycle):
    return cycle.grade_percent is None or cycle.grade_percent[0] == cycle.grade_percent[-1]


def cycles_folder():
    """Folder of the shipped cycles: beside the installed package's own folder."""
    return Path(simcore.__file__).resolve().parent.parent / "scenarios" / "cycles"


def shipped_cycles():
    """=> names of the shipped cycles."""
    return sorted(path.stem.removesuffix("_segments") for path in cycles_folder().glob("*.csv"))


def load_cycle(name, folder=Path()):
    """(name of a shipped cycle, or a CSV file, relative to the folder) => Cycle.  Raises ScenarioError with every problem."""
    if name in shipped_cycles():
        segments = cycles_folder() / f"{name}_segments.csv"
        return from_segments(name, segments) if segments.is_file() else read_cycle(cycles_folder() / f"{name}.csv", name)
    path = Path(folder) / name
    if not name.strip() or (path.suffix == "" and not path.exists()):
        known = shipped_cycles()
        remedy = did_you_mean(name, known, f"Known are {', '.join(known)}; or name a CSV file with {' and '.join(COLUMNS)}.")
        raise ScenarioError([f'--cycle "{printable(name)}": no such cycle. {remedy}'])
    return read_cycle(path)


def from_segments(name, path):
    """(name, file of ramps part,duration_s,end_speed_kmh) => Cycle.  NEDC: its first part four times, then the others."""
    rows = [row for row in csv.reader(_lines(path.read_text(encoding="utf-8"))) if row][1:]
    first = rows[0][0]
    urban = [row for row in rows if row[0] == first]
    driven = urban * 4 + [row for row in rows if row[0] != first]
    time = np.concatenate([[0.0], np.cumsum([float(row[1]) for row in driven])])
    return Cycle(name, time, np.array([0.0, *(float(row[2]) for row in driven)]), None, _head(path))


def read_cycle(path, name=None):
    """CSV file with the columns time_s, speed_kmh and perhaps grade_percent => Cycle.

    Lines that begin with # are remarks, other columns are left alone.  Raises ScenarioError with a sentence for each problem.
    """
    path = Path(path)
    label = file_label(path)
    try:
        text = existing_text(path)
    except FileProblem as problem:
        raise ScenarioError([f"{label}: {problem}"]) from None
    rows = [row for row in csv.reader(_lines(text)) if any(cell.strip() for cell in row)]
    head = [cell.strip() for cell in rows[0]] if rows else []
    if missing := [column for column in COLUMNS if column not in head]:
        remedy = " ".join(did_you_mean(column, head, "") for column in missing).strip()
        remedy = remedy or f"Head the columns {', '.join(COLUMNS)} and, if wanted, {GRADE}."
        raise ScenarioError([f"{label}: has no column {' and '.join(missing)}. {remedy}"])
    wanted = [column for column in (*COLUMNS, GRADE) if column in head]
    values, problems = _numbers(rows[1:], head, wanted)
    problems = problems or _rules(*values)
    if problems:
        more = len(problems) - _TOLD_AT_ONCE
        told = [f"{label}: {problem}" for problem in problems[:_TOLD_AT_ONCE]]
        raise ScenarioError(told + ([f"{label}: and {more} more problems of this kind. Mend these first."] if more > 0 else []))
    time, speed, *grade = values
    return Cycle(name or path.stem, time - time[0], speed, grade[0] if grade else None, _head(path))


def _lines(text):
    """Text without remarks; blank lines stand for them, so that a line keeps its number."""
    return io.StringIO("\n".join("" if line.lstrip().startswith("#") else line for line in text.splitlines()))


def _head(path):
    """The file's first remark: where the cycle comes from."""
    with Path(path).open(encoding="utf-8-sig") as file:
        first = file.readline().strip()
    return first.lstrip("# ").strip() if first.startswith("#") else ""


def _numbers(rows, head, wanted):
    """(rows of texts, head) => arrays of the wanted columns, problems."""
    at = [head.index(column) for column in wanted]
    table, problems = np.full((len(rows), len(wanted)), np.nan), []
    for k, row in enumerate(rows):
        for j, column in enumerate(at):
            text = row[column].strip() if column < len(row) else ""
            try:
                table[k, j] = float(text)
            except ValueError:
                pass
            if not np.isfinite(table[k, j]):
                shown = f'"{printable(text)}"' if text else "empty"
                problems.append(f"point {k}: {wanted[j]} is {shown}, not a finite number. Fill it or leave the line out.")
    if len(rows) < 2:
        problems.append(f"holds {len(rows)} points; a cycle needs two or more. Add some.")
    return table.T, problems


def _rules(time, speed, grade=None):
    """Arrays of finite numbers => problems."""
    problems = []
    for k in np.flatnonzero(np.diff(time) <= 0.0):
        problems.append(
            f"point {k + 1}: time_s = {time[k + 1]:g} does not come after {time[k]:g} (must increase). Sort the points."
        )
    steps = np.diff(time)
    usual = float(np.median(steps))
    if not problems and len(steps) > 10 and np.mean(np.abs(steps - usual) < 0.01 * usual) > _REGULAR_SHARE:
        for k in np.flatnonzero(steps > _GAP * usual):
            problems.append(
                f"point {k + 1}: time_s = {time[k + 1]:g} lies {steps[k]:g} s after the one before, the others {usual:g} s: "
                "a gap. Fill in the points that lack."
            )
    for k in np.flatnonzero(speed < 0.0):
        problems.append(f"point {k}: speed_kmh = {speed[k]:g} must not be negative (km/h). A cycle drives forward only.")
    for k in np.flatnonzero(speed > FASTEST_kmh):
        problems.append(f"point {k}: speed_kmh = {speed[k]:g} is beyond {FASTEST_kmh:g} (km/h). Check the unit.")
    if time[-1] - time[0] > LONGEST_s:
        problems.append(f"lasts {time[-1] - time[0]:g} s, at most {LONGEST_s:g} (s). Check the unit of time_s.")
    if grade is not None:
        for k in np.flatnonzero(np.abs(grade) > STEEPEST_percent):
            rule = f"is steeper than {STEEPEST_percent:g} (%)"
            problems.append(f"point {k}: grade_percent = {grade[k]:g} {rule}. Check the unit.")
    return problems
