"""A run against its baseline: what moved, by how much, and whether that is allowed."""

import math
from dataclasses import dataclass, field

import numpy as np

from simcore.study.baseline.contents import Course, course, inputs, kept, numbers
from simcore.study.baseline.document import Baseline

_STRETCH_SLACK = 1e-6  # of the run's length


@dataclass(frozen=True)
class Move:
    """One number or course: old and new value (None for a course), by how much it moved, and what is allowed."""

    name: str
    unit: str
    by: float
    allowed: float
    old: float | None = None
    new: float | None = None
    stretch_s: tuple | None = None

    @property
    def within(self):
        return self.by <= self.allowed

    @property
    def share(self):
        """Of what is allowed."""
        return self.by / self.allowed if self.allowed > 0.0 else (math.inf if self.by > 0.0 else 0.0)


@dataclass(frozen=True)
class Comparison:
    """Every move, what the file or the run lacks, and what of the input changed."""

    baseline: Baseline
    course: Course
    moves: list
    unmatched: list = field(default_factory=list)
    changed_inputs: list = field(default_factory=list)

    @property
    def beyond(self):
        """Moves that are not allowed, the farthest first."""
        return sorted((move for move in self.moves if not move.within), key=lambda move: -move.share)

    @property
    def within(self):
        return not self.beyond

    def told(self):
        """A dict for metrics.json."""
        keys = ("name", "unit", "old", "new", "by", "allowed", "within")
        return {
            "file": str(self.baseline.path),
            "drybench": self.baseline.version,
            "within": self.within,
            "compared": len(self.moves),
            "moved": [{key: getattr(move, key) for key in keys} for move in self.moves if move.by > 0.0],
            "unmatched": self.unmatched,
            "changed_inputs": [{"key": key, "old": old, "new": new} for key, old, new in self.changed_inputs],
        }


def compare(recording, baseline):
    """(recording, Baseline) => Comparison."""
    found, its_course = numbers(recording), course(recording)
    moves = [_number_move(name, baseline.numbers[name], number) for name, number in found.items() if name in baseline.numbers]
    unmatched = [f"not in the baseline: {name}" for name in found if name not in baseline.numbers]
    unmatched += [f"not in the run: {name}" for name in baseline.numbers if name not in found]
    if _same_stretches(baseline.course, its_course):
        moves += [
            _course_move(signal, baseline, its_course) for signal in its_course.signals if signal in baseline.course.signals
        ]
        unmatched += [f"not in the baseline: course of {name}" for name in its_course.signals if name not in baseline.signals]
        unmatched += [f"not in the run: course of {name}" for name in baseline.signals if name not in its_course.signals]
    else:
        moves.append(_length_move(baseline.course, its_course))
    return Comparison(baseline, its_course, moves, unmatched, _changes(baseline.inputs, inputs(recording.scenario)))


def _number_move(name, old, new):
    value = kept(new.value, new.scale)
    value = math.nan if value is None else value
    by = 0.0 if math.isnan(old.value) and math.isnan(value) else abs(value - old.value)
    return Move(name, old.unit, math.inf if math.isnan(by) else by, old.limit, old.value, value)


def _course_move(signal, baseline, its_course):
    entry = baseline.signals[signal]
    old, scale = baseline.course.signals[signal], its_course.scale(signal)
    new = np.array([[_kept_or_nan(value, scale) for value in pair] for pair in its_course.signals[signal].tolist()])
    # A value that was none before, or is none now, has moved without bound.
    moved = np.where(np.isnan(old) & np.isnan(new), 0.0, np.nan_to_num(np.abs(new - old), nan=math.inf))
    worst = int(np.argmax(np.max(moved, axis=1)))
    stretch = (float(its_course.edges_s[worst]), float(its_course.edges_s[worst + 1]))
    return Move(f"course of {signal}", entry.unit, float(np.max(moved)), entry.limit, stretch_s=stretch)


def _kept_or_nan(value, scale):
    value = kept(value, scale)
    return math.nan if value is None else value


def _same_stretches(old, new):
    if old.edges_s.shape != new.edges_s.shape:
        return False
    return bool(np.all(np.abs(old.edges_s - new.edges_s) <= _STRETCH_SLACK * max(float(new.edges_s[-1]), 1e-12)))


def _length_move(old, new):
    """Courses of other lengths or stretches are not laid over each other: that itself is the move."""
    before, after = float(old.edges_s[-1]), float(new.edges_s[-1])
    if abs(after - before) > _STRETCH_SLACK * after:
        return Move("length of the run", "s", abs(after - before), 0.0, before, after)
    return Move("stretches of the courses", "", math.inf, 0.0, float(len(old.edges_s) - 1), float(len(new.edges_s) - 1))


def _changes(old, new):
    keys = dict.fromkeys([*old, *new])
    return [(key, old.get(key), new.get(key)) for key in keys if not _same(old.get(key), new.get(key))]


def _same(one, other):
    """JSON knows no tuples; 1 and 1.0 are one number."""
    if isinstance(one, (list, tuple)) and isinstance(other, (list, tuple)):
        return len(one) == len(other) and all(map(_same, one, other))
    return one == other
