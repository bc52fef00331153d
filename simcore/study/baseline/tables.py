"""What a comparison says in the terminal."""

import math

from simcore.report.tables import columns, say
from simcore.report.wording import number
from simcore.scenario.errors import file_label

_LISTED_BEYOND, _LISTED_WITHIN = 16, 5
_LISTED_INPUTS = 8


def print_comparison(comparison, console, picture=None):
    """(Comparison, rich Console, path of the picture or None) => None."""
    say(console, f"Against {file_label(comparison.baseline.path)} (drybench {comparison.baseline.version})", style="bold")
    for line in comparison_lines(comparison):
        say(console, line, hanging=4)
    if picture:
        say(console, f"  Old and new: {picture}", hanging=4)
    console.print()


def comparison_lines(comparison):
    """Comparison => lines: what changed in the input, what moved and by how much, what could not be compared."""
    changes = comparison.changed_inputs
    lines = [f"  Input: {key} was {_shown(old)}, is {_shown(new)}" for key, old, new in changes[:_LISTED_INPUTS]]
    if len(changes) > _LISTED_INPUTS:
        lines.append(f"  Input: {len(changes) - _LISTED_INPUTS} more changes")
    beyond = comparison.beyond
    moved = sorted((move for move in comparison.moves if move.within and move.by > 0.0), key=lambda move: -move.share)
    rows = [_row("MOVED", move) for move in beyond[:_LISTED_BEYOND]] + [_row("within", move) for move in moved[:_LISTED_WITHIN]]
    shown = [f"  {line}" for line in columns(rows, right=(2, 3, 4))]
    if len(beyond) > _LISTED_BEYOND:
        shown.insert(_LISTED_BEYOND, f"  and {len(beyond) - _LISTED_BEYOND} more that moved, all in metrics.json")
    lines += shown
    lines += [f"  Told: {text}" for text in comparison.unmatched]
    lines.append(f"  {summary(comparison)}")
    return lines


def summary(comparison):
    """Comparison => one sentence."""
    count, beyond = len(comparison.moves), len(comparison.beyond)
    if beyond:
        return f"{beyond} of {count} numbers and courses moved beyond what is allowed."
    moved = sum(move.by > 0.0 for move in comparison.moves)
    if moved:
        return f"Nothing moved beyond what is allowed: {moved} of {count} numbers and courses moved at all."
    return f"Nothing moved: {count} numbers and courses are what they were."


def _row(word, move):
    if move.stretch_s:
        begin, end = (number(t, "s", 4) for t in move.stretch_s)
        name, values = f"{move.name}, most from {begin} to {end}", ""
    else:
        name, values = move.name, f"{_value(move.old, move.unit)} -> {_value(move.new, move.unit)}"
    by = "no number" if math.isinf(move.by) else f"by {number(move.by, move.unit, 3)}"
    return word, name, values, by, f"allowed {number(move.allowed, move.unit, 2)}"


def _value(value, unit):
    return number(value, unit, 6)


def _shown(value):
    text = "absent" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
