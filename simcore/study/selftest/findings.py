"""What a self-test says: one finding a check."""

import math
from dataclasses import dataclass
from typing import NamedTuple

RIGHT, WRONG, OPEN = "right", "WRONG", "not judged"


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One check of a controller.

    check, expected, found and hint are words; verdict is "right", "WRONG" or "not judged"; value is the number behind found
    (degrees electrical, a ratio, Nm) or NaN; cause is a short name of what is wrong, "" where nothing is or where it is not
    known: feedback_sign, phases_swapped, phases_rotated, angle_sign, angle_zero, half_turn, axes_exchanged, id_sign, iq_sign,
    torque_sign, scaling, no_angle, no_feedback, delay, delay_sign, duties.
    """

    check: str
    expected: str
    found: str
    verdict: str
    hint: str = ""
    value: float = math.nan
    cause: str = ""

    @property
    def passed(self):
        """False where the verdict is WRONG."""
        return self.verdict != WRONG


class Check(NamedTuple):
    """What is looked at, and what should be seen; makes the Finding of what is seen."""

    check: str
    expected: str

    def right(self, found, value=math.nan, hint=""):
        return Finding(**self._asdict(), found=found, verdict=RIGHT, value=value, hint=hint)

    def wrong(self, found, cause, hint, value=math.nan):
        return Finding(**self._asdict(), found=found, verdict=WRONG, cause=cause, hint=hint, value=value)

    def not_judged(self, hint, found="", value=math.nan):
        return Finding(**self._asdict(), found=found, verdict=OPEN, hint=hint, value=value)
