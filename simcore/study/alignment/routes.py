"""The ways to lead a current vector while the rotor is zeroed: each as current commands over time in the stator's frame."""

import math
from dataclasses import dataclass

from simcore.scenario.controller import Commands
from simcore.scenario.profile import Profile

LED_DEG = 5.0  # between two points of a vector that is led


@dataclass(frozen=True)
class Variant:
    """Angles [deg] the vector stands at, one after the other; the current is raised at the first, then led to the next.

    The angle is read at the end of each stand numbered in `read` (its mean is what the drive would keep).
    """

    name: str
    words: str
    angles_deg: tuple
    read: tuple = (-1,)

    @property
    def steps(self):
        return len(self.angles_deg)

    @property
    def vector_deg(self):
        """Where the vector stands when the angle is read: the ideal place of the rotor's d axis."""
        return float(self.angles_deg[self.read[0]])


VARIANTS = (
    Variant("d+", "id > 0", (0.0,)),
    Variant("d-", "id < 0", (180.0,)),
    Variant("q+", "iq > 0", (90.0,)),
    Variant("q-", "iq < 0", (-90.0,)),
    Variant("q+ then d+", "first iq > 0, then led to id > 0", (90.0, 0.0)),
    Variant("d+ from both sides", "led to id > 0 from iq < 0 and from iq > 0, mean of both", (-90.0, 0.0, 90.0, 0.0), (1, 3)),
)


def read_times(variant, timing):
    """=> the instants [s] at which the angle is read."""
    ends = [(k + 1) * (timing.move_s + timing.hold_s) for k in range(variant.steps)]
    return tuple(ends[k] for k in variant.read)


def duration_s(variant, timing):
    """=> length of the routine [s]."""
    return variant.steps * (timing.move_s + timing.hold_s)


def commands(variant, current_A, timing):
    """(variant, length of the vector [A], Timing) => Commands: id_A and iq_A as alpha and beta parts."""
    points = [(0.0, 0.0, variant.angles_deg[0]), (timing.move_s, 1.0, variant.angles_deg[0])]
    for here, there in zip(variant.angles_deg, variant.angles_deg[1:], strict=False):
        at_s = points[-1][0] + timing.hold_s
        count = max(1, math.ceil(abs(there - here) / LED_DEG))
        points += [(at_s + timing.move_s * k / count, 1.0, here + (there - here) * k / count) for k in range(count + 1)]
    times = tuple(at_s for at_s, _, _ in points)
    parts = {
        "id_A": tuple(current_A * size * math.cos(math.radians(angle)) for _, size, angle in points),
        "iq_A": tuple(current_A * size * math.sin(math.radians(angle)) for _, size, angle in points),
    }
    return Commands(**{name: Profile(times, values, "linear") for name, values in parts.items()})
