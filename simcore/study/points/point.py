"""A point of a study: where it lies, what was measured there, and whether each expectation held."""

import math
from typing import NamedTuple


class Point(NamedTuple):
    """One point of a sweep or one draw.

    index: its number; values: a value a varied key; measured: a number an expectation, NaN where there is none; passed: whether
    each held; error: why the run could not finish, or None; refused: True where the scenario itself was wrong, so that nothing
    ran; reasons: why a measure has no number, a text an expectation ("" where it has one).
    """

    index: int
    values: tuple
    measured: tuple
    passed: tuple
    error: str | None = None
    refused: bool = False
    reasons: tuple = ()

    @property
    def met(self):
        """True where the run finished and every expectation held."""
        return self.error is None and all(self.passed)


def taken(recording):
    """recording => (measured, passed, reasons) of its scenario's expectations."""
    from simcore.measure import judge

    verdicts = judge(recording, recording.scenario.expect)
    return (
        tuple(verdict["value"] for verdict in verdicts),
        tuple(verdict["passed"] for verdict in verdicts),
        tuple(verdict.get("reason", "") for verdict in verdicts),
    )


def point_of(index, values, expectations, value=None, error=None, refused=False):
    """(number, values, how many expectations, what `taken` gave or None) => Point; an unfinished run meets nothing."""
    measured, passed, reasons = value or ((math.nan,) * expectations, (False,) * expectations, ())
    if error is not None:
        passed = (False,) * expectations
    return Point(index, tuple(values), measured, passed, error, refused, reasons if any(reasons) else ())


def as_row(point):
    """Point => list of JSON's types."""
    finite = [value if math.isfinite(value) else None for value in point.measured]
    return [point.index, list(point.values), finite, list(point.passed), point.error, point.refused, list(point.reasons)]


def from_row(row):
    """What as_row gave => Point."""
    index, values, measured, passed, error, refused, reasons = row
    measured = tuple(math.nan if value is None else float(value) for value in measured)
    return Point(int(index), tuple(values), measured, tuple(map(bool, passed)), error, bool(refused), tuple(reasons))
