"""`--vary KEY=a:b:n` and `--vary KEY=[x, y, z]`: a key and the values that a sweep gives it."""

import math
from dataclasses import dataclass

from simcore.scenario.errors import ScenarioError, printable
from simcore.scenario.merge import Override, OverrideError

MOST_POINTS = 1_000_000
_EXAMPLE = "Write --vary table.key=200:1200:11 or --vary table.key=[200, 400, 800]"


@dataclass(frozen=True)
class Axis:
    """A dotted key as --set takes it, and its values in order."""

    key: str
    values: tuple

    @property
    def numeric(self):
        """True where all values are numbers."""
        return all(isinstance(value, (int, float)) and not isinstance(value, bool) for value in self.values)


def read_axes(texts):
    """(--vary texts) => tuple of Axis.  Raises ScenarioError with every problem."""
    axes, problems = [], []
    for text in texts:
        try:
            axes.append(read_axis(text))
        except ScenarioError as error:
            problems += error.problems
    keys = [axis.key for axis in axes]
    twice = [key for key in dict.fromkeys(keys) if keys.count(key) > 1]
    problems += [f"--vary {key}: given {keys.count(key)} times. Keep one." for key in twice]
    points = math.prod(len(axis.values) for axis in axes)
    if points > MOST_POINTS:
        problems.append(f"--vary: the grid has {points} points, more than {MOST_POINTS}. Give fewer values.")
    if problems:
        raise ScenarioError(problems)
    return tuple(axes)


def read_axis(text):
    """(`KEY=a:b:n` or `KEY=[x, y, z]`) => Axis.  Raises ScenarioError."""
    name, equals, given = str(text).partition("=")
    if not equals:
        _refuse(text, "has no equals sign", _EXAMPLE)
    if given.count(":") == 2 and "[" not in given:
        return Axis(_key(text, f"{name}=0"), _even(text, *given.split(":")))
    if not given.strip().startswith("["):
        _refuse(text, "is neither a range a:b:n nor a list", _EXAMPLE)
    values = _listed(name, given)
    if not isinstance(values, list) or not values:
        _refuse(text, "the list is empty or no list", _EXAMPLE)
    if any(isinstance(value, (list, dict)) for value in values):
        _refuse(text, "the list holds more than plain values", "Give numbers or words; an entry of a list is varied as key.0")
    kinds = {bool: "b", str: "s"}
    for one in values:
        if sum(same == one and kinds.get(type(same)) == kinds.get(type(one)) for same in values) > 1:
            _refuse(text, f"holds {printable(str(one))} more than once", "Keep one of them")
    return Axis(_key(text, f"{name}=0"), tuple(values))


def _listed(name, given):
    """[x, y, z] as TOML, or of bare words, which a shell leaves without quotes."""
    try:
        return Override(f"{name}={given}").value
    except OverrideError as error:
        if not given.strip().endswith("]"):
            _refuse(f"{name}={given}", "the list does not end", "Close it with ]")
        inner = given.strip().removeprefix("[").removesuffix("]")
        try:
            return [Override(f"{name}={part}").value for part in inner.split(",")]
        except OverrideError:
            raise ScenarioError([error.sentence.replace("--set", "--vary")]) from None


def _key(text, override):
    try:
        return ".".join(Override(override).location)
    except OverrideError:
        _refuse(text, "the key is not a dotted name", _EXAMPLE)


def _even(text, first, last, count):
    """n values from a to b, both among them, evenly spaced; clean of rounding in the 13th digit."""
    try:
        first, last = float(first), float(last)
        number = int(count)
    except ValueError:
        _refuse(text, "a range is two numbers and a whole number, a:b:n", _EXAMPLE)
    if not (math.isfinite(first) and math.isfinite(last)):
        _refuse(text, "the ends of a range must be finite", "Give two numbers")
    if not 2 <= number <= MOST_POINTS:
        remedy = "Give fewer points" if number > MOST_POINTS else "For a single value use --set"
        _refuse(text, f"a range has from 2 to {MOST_POINTS} points", remedy)
    if first == last:
        _refuse(text, "the range begins where it ends", "Give two different ends, or use --set")
    steps = [first + (last - first) * k / (number - 1) for k in range(number)]
    values = [first, *(float(f"{value:.12g}") for value in steps[1:-1]), last]
    if all(value == int(value) for value in values):
        return tuple(int(value) for value in values)
    return tuple(values)


def _refuse(text, rule, remedy):
    raise ScenarioError([f"--vary {printable(str(text))}: {rule}. {remedy}."])
