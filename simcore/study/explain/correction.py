"""A hypothesis: an imperfection as the correction that would undo it in what was measured, with its few unknown numbers."""

import math
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Correction:
    """cause: key in CAUSES. count: unknown numbers. scale(balance) => their scale. apply(balance, p) => changed arrays.
    size(balance, p) => words. plausible(p) => False for a sign or size that the imperfection cannot have."""

    cause: str
    count: int
    scale: Callable
    apply: Callable
    size: Callable
    plausible: Callable = lambda p: True


def percent(value):
    """Share => text without sign."""
    return f"{100.0 * abs(value):.2g} %"


def degrees(value):
    """Angle [rad] => text without sign."""
    return f"{abs(math.degrees(value)):.2g} deg"
