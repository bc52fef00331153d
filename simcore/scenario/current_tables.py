"""Tables over the switched current, as data sheets print them: energies, slopes, factors, each with its own sentences."""

import itertools
from typing import Annotated, Any

from pydantic import PlainValidator, WithJsonSchema

from simcore.scenario.errors import show
from simcore.scenario.fields import finite, is_number, refuse
from simcore.scenario.profile import number_pairs, refuse_disorder

Points = tuple[tuple[float, float], ...]


def _over_current(raw, second, example):
    """[[A, y], ...] => pairs of floats: two points or more, from 0 A on, increasing currents, no negative values."""
    pairs = number_pairs(raw, "A", second, example)
    refuse_disorder(pairs, "A")
    for k, (_, y) in enumerate(pairs):
        if y < 0.0:
            raise refuse(f"point {k}: {second} {show(y)} must not be negative", "Give values of 0 or more")
    if len(pairs) < 2:
        raise refuse("is too short: a table needs two points or more", example)
    if pairs[0][0] != 0.0:
        raise refuse(f"begins at {pairs[0][0]:g} A; it must begin at 0 A", _to_zero(pairs, second))
    return tuple(pairs)


def _to_zero(pairs, second):
    """A remedy with the point that the table's first stretch gives at 0 A."""
    (x0, y0), (x1, y1) = pairs[:2]
    at_zero = max(0.0, y0 - x0 * (y1 - y0) / (x1 - x0)) if x0 > 0.0 else y0
    told = f"Its first stretch, made longer, gives [0, {show(float(f'{at_zero:.3g}'))}] ({second})"
    return told if x0 > 0.0 else "A current has no sign here: remove the points below 0 A"


def read_energies(raw: Any) -> Points:
    """[[A, J], ...] => pairs; energy does not fall with current."""
    example = "Write it as [[0, 0.2e-3], [150, 4e-3], [300, 9e-3]]"
    if raw == ():
        return ()
    pairs = _over_current(raw, "J", example)
    for k, ((_, before), (_, energy)) in enumerate(itertools.pairwise(pairs), start=1):
        if energy < before:
            rule = f"point {k}: J {show(energy)} is below {show(before)} before it; energies do not fall with current"
            raise refuse(rule, "Check the reading of the curve")
    return pairs


def read_slopes(raw: Any) -> Points:
    """A number, which holds for every current, or [[A, value], ...] => pairs; () for 0, not given."""
    if raw in (0, ()) and not isinstance(raw, bool):
        return ()
    if is_number(raw):
        if not finite(raw) or not 0.0 < raw <= 1e13:
            raise refuse("must be above 0, at most 1e+13", "Give the slope, for example 5e9")
        return ((0.0, float(raw)),)
    return _over_current(raw, "value", "Write a number, or [[0, 4e9], [300, 6e9]]")


def read_factors(raw: Any) -> Points:
    """[[A, factor], ...] => pairs; factors above 0."""
    if raw == ():
        return ()
    pairs = _over_current(raw, "factor", "Write it as [[0, 1.0], [300, 1.05]]")
    if min(factor for _, factor in pairs) <= 0.0:
        raise refuse("factors must be above 0", "Write 1.0 where the resistance is as given")
    return pairs


_PAIRS: dict[str, Any] = {
    "type": "array",
    "items": {"type": "array", "items": {"type": "number", "minimum": 0}, "minItems": 2, "maxItems": 2},
}
EnergyTable = Annotated[Points, PlainValidator(read_energies), WithJsonSchema(_PAIRS)]
SlopeTable = Annotated[Points, PlainValidator(read_slopes), WithJsonSchema({"anyOf": [{"type": "number"}, _PAIRS]})]
FactorTable = Annotated[Points, PlainValidator(read_factors), WithJsonSchema(_PAIRS)]
