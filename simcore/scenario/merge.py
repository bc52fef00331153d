"""Tables laid over each other: a file over its base, overrides over both, a part beneath."""

import re
import tomllib

from simcore.scenario import index
from simcore.scenario.errors import DEEPEST, printable, too_deep

_KEY = re.compile(r"[A-Za-z0-9_-]+\Z")
_WORD = re.compile(r"[^\s\[\]{}\"',=#][^\[\]{}\"',=#\n]*\Z")


def lay_over(lower, upper, origins, label, at=()):
    """upper wins; tables merge, lists and values replace. Returns a new dict and notes each key's file in origins."""
    merged = {k: v for k, v in lower.items() if k not in _left_behind(lower, upper, at)}
    for key, value in upper.items():
        here = (*at, key)
        if isinstance(value, dict) and isinstance(merged.get(key), dict):
            merged[key] = lay_over(merged[key], value, origins, label, here)
        else:
            forget(origins, here)
            merged[key] = value
            origins[here] = label
    return merged


def lay_beneath(upper, lower, origins, label, at=()):
    """As lay_over, for a lower table that comes later (a part): its keys fill what is absent."""
    merged = dict(upper)
    dropped = _left_behind(lower, upper, at)
    for key, value in lower.items():
        here = (*at, key)
        if key not in merged:
            if key not in dropped:
                merged[key] = value
                origins[here] = label
        elif isinstance(value, dict) and isinstance(merged[key], dict):
            merged[key] = lay_beneath(merged[key], value, origins, label, here)
    return merged


def forget(origins, location):
    """Drop what origins says below a location that is being replaced."""
    for known in [k for k in origins if k[: len(location)] == location]:
        del origins[known]


def _left_behind(lower, upper, at):
    """Keys of the lower table that belong to its kind only, where the upper one names another kind."""
    old, new = lower.get("kind"), upper.get("kind")
    if not isinstance(old, str) or not isinstance(new, str) or old == new:
        return ()
    here = index.tables().get(index.table_path(at), {})
    kinds = {k.kind for keys in here.values() for k in keys}
    if new not in kinds or old not in kinds:
        return ()
    return [name for name in lower if name in here and name != "kind" and new not in [k.kind for k in here[name]]]


class Assignment:
    """A value for one key, laid over a document.

    told: who assigns, for sentences. location: keys from the top, indices of lists as digits.
    """

    def __init__(self, told, location, value):
        self.told, self.location, self.value = told, tuple(location), value
        self.in_list = any(part.isdigit() for part in self.location)

    def apply(self, document, origins, label):
        """Set the value in a document (in place); lists are reached by index."""
        here = document
        typed = []
        for part in self.location[:-1]:
            step = self._step(here, part)
            if isinstance(here, dict):
                if step not in here:
                    here[step] = {}
            here = here[step]
            typed.append(step)
        last = self._step(here, self.location[-1])
        typed = (*typed, last)
        if isinstance(here, dict) and isinstance(self.value, dict) and isinstance(here.get(last), dict):
            here[last] = lay_over(here[last], self.value, origins, label, typed)
            return
        if last == "kind" and isinstance(here, dict):
            for name in _left_behind(here, {"kind": self.value}, typed[:-1]):
                del here[name]
        forget(origins, typed)
        here[last] = self.value
        origins[typed] = label

    def _step(self, here, part):
        if isinstance(here, dict):
            return part
        if isinstance(here, list):
            if not part.isdigit():
                raise OverrideError(self.told, f'"{part}" must be an index into a list', "Count entries from 0")
            if int(part[:9]) >= len(here) or len(part) > 9:
                raise OverrideError(self.told, f"the list has {len(here)} entries", "Count entries from 0")
            return int(part)
        raise OverrideError(self.told, f'"{part}" lies below a value that is no table', "Set the value itself")


class Override(Assignment):
    """One `--set key.key=value`."""

    def __init__(self, text):
        told = f"--set {printable(text)}"
        name, equals, value = text.partition("=")
        if not equals:
            raise OverrideError(told, "has no equals sign", "Write --set table.key=value")
        location = tuple(part.strip() for part in name.strip().split("."))
        if len(location) > DEEPEST or not all(_KEY.match(part) for part in location):
            raise OverrideError(told, "the key is not a dotted name", "Write --set table.key=value")
        if location[0] == "base":
            raise OverrideError(told, "base cannot be set from outside", "Write base into the file")
        super().__init__(told, location, _toml_value(told, value.strip()))


class OverrideError(ValueError):
    """An assignment that cannot be used: who assigns, rule and remedy."""

    def __init__(self, told, rule, remedy):
        self.sentence = f"{told}: {rule}. {remedy}."
        super().__init__(self.sentence)


def _toml_value(told, value):
    try:
        read = tomllib.loads(f"v = {value}")
        if list(read) == ["v"] and not too_deep(read):
            return read["v"]
    except (ValueError, RecursionError, OverflowError):
        pass
    if _WORD.match(value):
        return value
    raise OverrideError(told, "the value is not TOML", "Write a number, true, a bare word, or TOML in quotes of your shell")
