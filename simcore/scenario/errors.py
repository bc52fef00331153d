"""Sentences about wrong input, all of one file at once."""

import datetime
import difflib
import math
import os
import re
from pathlib import Path

_BARE = re.compile(r"[A-Za-z0-9_-]+\Z")
_LONGEST_VALUE = 60
DEEPEST = 40
_FAR_BEHIND = 0.25  # of likeness, 0 to 1


class ScenarioError(ValueError):
    """Wrong input. `problems` holds one sentence a problem; the text of the error is all of them, one a line."""

    def __init__(self, problems):
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


def file_label(path):
    """Path as a person would write it: relative to the current folder where it lies below, absolute elsewhere."""
    path = Path(path)
    try:
        return str(path.relative_to(Path.cwd()))
    except (ValueError, OSError):
        return str(path)


def place(location):
    """('expect', 0, 'max') => 'expect.0.max'; keys that are not bare words stand in quotes."""
    return ".".join(str(part) if _BARE.match(str(part)) else printable(str(part), quote=True) for part in location)


def printable(text, quote=False):
    """Text on one line, control characters escaped, shortened."""
    out = "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)
    if len(out) > _LONGEST_VALUE:
        out = out[: _LONGEST_VALUE - 3] + "..."
    return f'"{out}"' if quote else out


def show(value):
    """A value as it would stand in TOML, shortened to one line."""
    return printable(_show(value, depth=0)) if not isinstance(value, str) else printable(value, quote=True)


def _show(value, depth):
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return printable(value, quote=True)
    if isinstance(value, int):
        # Decimal text of an enormous integer is refused by Python itself.
        return str(value) if abs(value) < 10**30 else f"a whole number of {value.bit_length()} bits"
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else ("nan" if math.isnan(value) else "inf" if value > 0 else "-inf")
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    if isinstance(value, dict):
        if depth > 3:
            return "{...}"
        return "{" + ", ".join(f"{place((k,))} = {_show(v, depth + 1)}" for k, v in list(value.items())[:6]) + "}"
    if isinstance(value, (list, tuple)):
        if depth > 3:
            return "[...]"
        return "[" + ", ".join(_show(v, depth + 1) for v in list(value)[:12]) + ("]" if len(value) <= 12 else ", ...]")
    return printable(repr(value))


NO_VALUE = object()


def sentence(file, location, rule, remedy, value=NO_VALUE):
    """`file: where.key = value: rule. Remedy.`"""
    where = place(location)
    shown = "" if value is NO_VALUE or isinstance(value, dict) else f" = {show(value)}"
    head = f"{file}: {where}{shown}: " if where else f"{file}: "
    return f"{head}{rule.rstrip('.')}. {remedy if remedy.endswith('?') else remedy.rstrip('.') + '.'}"


def near(name, known, count=3, cutoff=0.6):
    """Known names that look like the given one, best first, those far behind it left out. Upper and lower case are equal."""
    lowered = {}
    for candidate in known:
        lowered.setdefault(candidate.lower(), candidate)
    asked = str(name).lower()[:80]
    found = difflib.get_close_matches(asked, list(lowered), count, cutoff)
    alike = [difflib.SequenceMatcher(None, one, asked).ratio() for one in found]
    return [lowered[one] for one, ratio in zip(found, alike, strict=True) if ratio >= max(alike) - _FAR_BEHIND]


def did_you_mean(name, known, otherwise=""):
    """'Did you mean "a" or "b"?' as a remedy, or the given text where nothing is near."""
    found = near(name, known)
    return "Did you mean " + " or ".join(f'"{m}"' for m in found) + "?" if found else otherwise


def one_of(names):
    """'"a", "b" or "c"'."""
    quoted = [f'"{n}"' for n in names]
    return quoted[0] if len(quoted) == 1 else ", ".join(quoted[:-1]) + " or " + quoted[-1]


def existing_text(path, largest_bytes=100_000_000):
    """Text of a UTF-8 file; ValueError with a sentence's rule and remedy where there is none, or too much of it."""
    path = Path(path)
    try:
        if path.is_dir():
            raise FileProblem("is a folder, not a file", "Name a file in it")
        with path.open("rb") as file:
            data = file.read(largest_bytes + 1)
        if len(data) > largest_bytes:
            raise FileProblem(f"is larger than {largest_bytes / 1e6:g} MB, which no such file needs", "Check the path")
    except FileProblem:
        raise
    except FileNotFoundError:
        others = near(path.name, [p.name for p in _siblings(path)])
        remedy = f"Did you mean {one_of(others)}?" if others else "Check the path"
        raise FileProblem("no such file", remedy) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileProblem(f"cannot be read ({printable(reason)})", "Check the path and its permissions") from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FileProblem(f"line {line}: not UTF-8 text", "Save the file with UTF-8 encoding") from None


class FileProblem(ValueError):
    """A file that cannot be used: rule and remedy, without the file's name."""

    def __init__(self, rule, remedy):
        self.rule, self.remedy = rule, remedy
        super().__init__(f"{rule}. {remedy}.")


def _siblings(path):
    try:
        with os.scandir(path.parent) as entries:
            return [Path(entry.path) for _, entry in zip(range(500), entries, strict=False)]
    except (OSError, ValueError):
        return []


def too_deep(value) -> bool:
    """True where tables and lists lie in each other more than DEEPEST times (dotted keys make any depth)."""
    level = [value]
    for _ in range(DEEPEST):
        level = [v for e in level for v in (e.values() if isinstance(e, dict) else e) if isinstance(v, (dict, list))]
        if not level:
            return False
    return True
