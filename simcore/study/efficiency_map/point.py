"""A point of a map: what was asked, what came of it, and why not."""

import math
from typing import NamedTuple

from simcore.report.wording import code_text
from simcore.study.efficiency_map.columns import FAILED, OK, OUT_OF_REACH, TOLD_OUT_OF_REACH, UNSTEADY, VALUES

REACHED_SHARE, REACHED_OF_GREATEST = 0.01, 0.003


class MapPoint(NamedTuple):
    """A point: index is its number, values the speed [rpm] and torque [Nm] asked for, found the numbers in the order of
    columns.VALUES (NaN where there is none), status one of columns.STATUSES, reason why it is not "ok"."""

    index: int
    values: tuple
    found: tuple
    status: str
    reason: str = ""

    @property
    def speed_rpm(self):
        return self.values[0]

    @property
    def torque_Nm(self):
        return self.values[1]

    def __getattr__(self, name):
        """A number by its name in columns.VALUES."""
        if name in VALUES:
            return self.found[VALUES.index(name)]
        raise AttributeError(name)

    def told(self, name):
        """(name in columns.VALUES) => the number; of a point out of reach only what the drive did instead, else NaN."""
        hidden = self.status == OUT_OF_REACH and name not in TOLD_OUT_OF_REACH
        return math.nan if hidden else getattr(self, name)


def failed_point(index, values, reason):
    """(number, asked, sentence) => MapPoint of a run that broke off."""
    return MapPoint(index, tuple(values), (math.nan,) * len(VALUES), FAILED, reason)


def point_of(index, values, result, greatest_Nm):
    """(number, (speed, torque), Measured, greatest torque for scale) => MapPoint.

    Reached is what the controller believes to have reached: a torque that differs because the drive differs from the belief is
    a deviation and no limit.  A controller that tells no torque is judged by the true one.
    """
    asked = values[1]
    told = result.told_Nm if math.isfinite(result.told_Nm) else result.values["torque_reached_Nm"]
    short = not abs(told - asked) <= max(REACHED_SHARE * abs(asked), REACHED_OF_GREATEST * greatest_Nm)
    status = OUT_OF_REACH if short else UNSTEADY if result.moving else OK
    reason = _reason(result) if short else result.moving
    return MapPoint(index, tuple(values), tuple(result.values[name] for name in VALUES), status, reason)


def _reason(result):
    limit = "the controller names no limit" if result.limit == "none" else f"limit: {limit_text(result.limit)}"
    reached_Nm = result.values["torque_reached_Nm"]
    return f"{limit}, {reached_Nm:.5g} Nm reached" if math.isfinite(reached_Nm) else limit


def limit_text(name):
    """Name of a limit => words."""
    return {"none": "no limit named", "mtpv": "MTPV"}.get(name, code_text(name))


def as_row(point):
    """MapPoint => list of JSON's types."""
    return [point.index, list(point.values), [_plain(v) for v in point.found], point.status, point.reason]


def from_row(row):
    """What as_row gave => MapPoint."""
    index, values, found, status, reason = row
    if len(found) != len(VALUES):
        raise ValueError("a point of another version")
    return MapPoint(int(index), tuple(values), tuple(math.nan if v is None else float(v) for v in found), status, reason)


def _plain(value):
    return value if math.isfinite(value) else None
