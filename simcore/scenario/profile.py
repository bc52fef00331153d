"""Profiles over time and curves over temperature: lists of pairs with their own sentences."""

import bisect
import itertools
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import PlainValidator, WithJsonSchema

from simcore.scenario.errors import did_you_mean, one_of, show
from simcore.scenario.fields import finite, is_number, number_remedy, refuse

SHAPES = ("step", "linear")
# Beyond these, ticks and states leave what a double can count.
_LARGEST_X = 1e9
_LARGEST_VALUE = 1e12


@dataclass(frozen=True)
class Profile:
    """A command or load over time.

    times: seconds, increasing, from 0 on. values: in the unit of the key. shape: "step" holds each value until the next
    point, "linear" ramps between points. Before the first point the first value holds, after the last the last.
    """

    times: tuple[float, ...]
    values: tuple[float, ...]
    shape: str = "step"

    def at(self, time_s: float) -> float:
        """Value at a time [s]."""
        after = bisect.bisect_right(self.times, time_s)
        if after == 0:
            return self.values[0]
        if self.shape == "step" or after == len(self.times):
            return self.values[after - 1]
        t0, t1 = self.times[after - 1], self.times[after]
        v0, v1 = self.values[after - 1], self.values[after]
        return v0 + (v1 - v0) * (time_s - t0) / (t1 - t0)

    @property
    def largest(self) -> float:
        """Largest absolute value."""
        return max(abs(v) for v in self.values)


@dataclass(frozen=True)
class Curve:
    """A device figure over temperature: degC increasing, values in the unit of the key; ends hold."""

    degC: tuple[float, ...]
    values: tuple[float, ...]

    def at(self, temperature_degC: float) -> float:
        """Value at a temperature [degC], linear between points."""
        return Profile(self.degC, self.values, "linear").at(temperature_degC)


def number_pairs(points, first, second, example, what="must be a list of", at=()):
    """[[x, y], ...] => list of pairs of floats, or an error that names the point."""
    pair = f"[{first}, {second}]"
    if not isinstance(points, (list, tuple)):
        raise refuse(f"{what} {pair} pairs, not {show(points)}", example, at)
    if not points:
        raise refuse(f"must hold at least one {pair} pair", example, at)
    for k, point in enumerate(points):
        if not isinstance(point, (list, tuple)) or len(point) != 2:
            raise refuse(f"point {k} is {show(point)}, not a pair {pair}", example, at)
        for name, number in ((first, point[0]), (second, point[1])):
            if not is_number(number):
                raise refuse(f"point {k}: {name} {show(number)} must be a number", number_remedy(number), at)
            if not finite(number):
                raise refuse(f"point {k}: {name} {show(number)} must be finite", "Give a number", at)
        for name, number, most in ((first, point[0], _LARGEST_X), (second, point[1], _LARGEST_VALUE)):
            if abs(number) > most:
                raise refuse(f"point {k}: {name} {show(number)} is beyond {most:g}", "Check the unit", at)
    return [(float(x), float(y)) for x, y in points]


def refuse_disorder(pairs, first, at=()):
    """Raise where the first numbers of the pairs do not increase."""
    for k, ((before, _), (x, _)) in enumerate(itertools.pairwise(pairs), start=1):
        if x <= before:
            remedy = "Sort the points and leave one at each place"
            raise refuse(f"point {k}: {first} {show(x)} does not come after {show(before)} (must increase)", remedy, at)


def _pairs(points, first, second, at=()):
    """[[x, y], ...] => two tuples of floats, x increasing, or an error that names the point."""
    example, what = "Write it as [[0.0, 1.0], [0.1, 2.0]]", "must be a number or a list of"
    pairs = number_pairs(points, first, second, example, what, at)
    refuse_disorder(pairs, first, at)
    return tuple(x for x, _ in pairs), tuple(y for _, y in pairs)


def _constant(number):
    if not finite(number):
        raise refuse("must be finite", "Give a number")
    if abs(number) > _LARGEST_VALUE:
        raise refuse(f"is beyond {_LARGEST_VALUE:g}", "Check the unit")
    return float(number)


def read_profile(raw: Any) -> Profile:
    """A number, [[time_s, value], ...] or { points = [...], shape = "linear" } => Profile."""
    if isinstance(raw, Profile):
        return raw
    if is_number(raw):
        return Profile((0.0,), (_constant(raw),))
    shape, points, at = "step", raw, ()
    if isinstance(raw, dict):
        for key in raw:
            if key not in ("points", "shape"):
                known = did_you_mean(key, ("points", "shape"), 'Write { points = [[0.0, 0.0]], shape = "linear" }')
                raise refuse("unknown key of a profile", known, (key,))
        if "points" not in raw:
            raise refuse("has no points", 'Write { points = [[0.0, 0.0]], shape = "linear" }')
        points, shape, at = raw["points"], raw.get("shape", "step"), ("points",)
        if shape not in SHAPES:
            raise refuse(f"must be {one_of(SHAPES)}", did_you_mean(shape, SHAPES, 'Write shape = "linear"'), ("shape",))
    times, values = _pairs(points, "time_s", "value", at)
    if times[0] < 0.0:
        raise refuse(f"point 0: time_s {show(times[0])} must not be negative (s)", "Begin at 0.0 or later", at)
    return Profile(times, values, shape)


def read_curve(raw: Any) -> Curve:
    """A number or [[degC, value], ...] => Curve; values must not be negative."""
    if isinstance(raw, Curve):
        return raw
    if is_number(raw):
        curve = Curve((25.0,), (_constant(raw),))
    else:
        curve = Curve(*_pairs(raw, "degC", "value"))
    if min(curve.values) < 0.0:
        raise refuse("must not be negative", "Give values of 0 or more")
    return curve


_PAIRS: dict[str, Any] = {
    "type": "array",
    "minItems": 1,
    "items": {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2},
}
_RAMPS = {
    "type": "object",
    "properties": {"points": _PAIRS, "shape": {"enum": list(SHAPES)}},
    "required": ["points"],
    "additionalProperties": False,
}
ProfileField = Annotated[Profile, PlainValidator(read_profile), WithJsonSchema({"anyOf": [{"type": "number"}, _PAIRS, _RAMPS]})]
CurveField = Annotated[Curve, PlainValidator(read_curve), WithJsonSchema({"anyOf": [{"type": "number"}, _PAIRS]})]
