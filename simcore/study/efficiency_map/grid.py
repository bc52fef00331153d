"""What is asked: speeds and torques as a:b:n, quadrants, and the points that come of them."""

import math
from typing import NamedTuple

from simcore.scenario import ScenarioError

MOST_POINTS = 100_000
DEFAULT_SPEEDS, DEFAULT_TORQUES = 20, 25
QUADRANTS = {1: (1, 1), 2: (-1, 1), 3: (-1, -1), 4: (1, -1)}  # signs of speed and torque, speed along the horizontal axis
_SPEED, _TORQUE = "--speed-rpm", "--torque-Nm"


class Grid(NamedTuple):
    """Speeds [rpm] and torques [Nm], rising, and the quadrants (1 to 4) whose points are asked for."""

    speeds_rpm: tuple
    torques_Nm: tuple
    quadrants: tuple = (1, 2, 3, 4)

    @property
    def points(self):
        """[(row of speed, column of torque), ...] in the chosen quadrants; the axes belong to the quadrants on both sides."""
        signs = [QUADRANTS[one] for one in self.quadrants]
        return [
            (i, k)
            for i, n in enumerate(self.speeds_rpm)
            for k, torque in enumerate(self.torques_Nm)
            if any(n * s >= 0.0 and torque * t >= 0.0 for s, t in signs)
        ]

    @property
    def directions(self):
        """Signs of torque that the points have, of -1 and 1."""
        torques = [self.torques_Nm[k] for _, k in self.points]
        found = [sign for sign in (1, -1) if any(sign * torque > 0.0 for torque in torques)]
        return tuple(found) or (1,)


def read_grid(speed_text, torque_text, quadrants_text, scenario, greatest_Nm):
    """(texts of the options or None, Scenario, greatest torque [Nm]) => Grid.  Raises ScenarioError with every problem.

    Without texts: speeds up to the machine's greatest, torques between minus and plus what it gives at its current limit.
    """
    problems, limit = [], scenario.machine.max_speed_rpm
    speeds = torques = None
    try:
        speeds = values_of(speed_text, _SPEED, "rpm") if speed_text else _default_speeds(limit)
        problems += _too_fast(speeds, limit, scenario)
    except ScenarioError as error:
        problems += error.problems
    try:
        torques = values_of(torque_text, _TORQUE, "Nm") if torque_text else _default_torques(greatest_Nm)
    except ScenarioError as error:
        problems += error.problems
    try:
        quadrants = _quadrants(quadrants_text)
    except ScenarioError as error:
        problems += error.problems
    if problems:
        raise ScenarioError(problems)
    grid = Grid(speeds, torques, quadrants)
    if len(speeds) * len(torques) > MOST_POINTS:
        count = len(speeds) * len(torques)
        _refuse(f"{_SPEED}, {_TORQUE}", f"the map has {count} points, more than {MOST_POINTS}", "Give fewer")
    if not grid.points:
        _refuse(
            f"--quadrants {quadrants_text}", "the grid has no point there",
            f"Give ranges that reach it, such as {_TORQUE} -200:200:25",
        )  # fmt: skip
    return grid


def values_of(text, option, unit):
    """("a:b:n" or "a", option, unit) => values a to b, both among them.  Raises ScenarioError."""
    label, parts = f"{option} {text}", str(text).split(":")
    example = f"Write {option} {'500:12000:40' if unit == 'rpm' else '-200:200:25'}"
    if len(parts) not in (1, 3):
        _refuse(label, f"must be a range a:b:n ({unit}), n values from a to b, or one value", example)
    try:
        first, last = float(parts[0]), float(parts[-2] if len(parts) == 3 else parts[0])
        count = int(parts[2]) if len(parts) == 3 else 1
    except ValueError:
        _refuse(label, "a range is two numbers and a whole number, a:b:n", example)
    if not (math.isfinite(first) and math.isfinite(last)):
        _refuse(label, f"the ends must be finite ({unit})", example)
    if count < 1:
        _refuse(label, f"has {count} points; at least 1 is needed", example)
    if last < first:
        _refuse(label, f"falls; a range rises from a to b ({unit})", f"Write {option} {last:g}:{first:g}:{count}")
    if count == 1 and first != last:
        _refuse(label, "one point does not reach from end to end", f"Write {option} {first:g}, or take at least 2 points")
    if count > 1 and first == last:
        _refuse(label, f"is empty: it begins where it ends ({unit})", f"Write {option} {first:g}, or give two different ends")
    if count > MOST_POINTS:
        _refuse(label, f"has {count} points, more than {MOST_POINTS}", "Give fewer")
    steps = [first + (last - first) * k / max(count - 1, 1) for k in range(count)]
    return (first, *(_clean(value, last - first) for value in steps[1:-1]), *([last] if count > 1 else []))


def _clean(value, span):
    """Rounding in the 13th digit taken off, so that the middle of a range is 0 and not 1e-14."""
    return 0.0 if abs(value) < 1e-12 * span else float(f"{value:.12g}")


def _too_fast(speeds, limit, scenario):
    fastest = max(speeds, key=abs)
    if abs(fastest) <= limit * (1.0 + 1e-12):
        return []
    return [
        f"{_SPEED}: {fastest:g} is beyond machine.max_speed_rpm = {limit:g} of {scenario.path.name} (rpm). "
        "Give a smaller range, or raise that limit."
    ]


def _default_speeds(limit):
    return tuple(limit * k / DEFAULT_SPEEDS for k in range(1, DEFAULT_SPEEDS + 1))


def _default_torques(greatest_Nm):
    """Two digits of the greatest torque, so that the grid has round values."""
    digits = 10.0 ** (math.floor(math.log10(greatest_Nm)) - 1) if greatest_Nm > 0.0 else 1.0
    reach = math.ceil(greatest_Nm / digits) * digits if greatest_Nm > 0.0 else 1.0
    half = DEFAULT_TORQUES // 2
    return tuple(_clean(reach * k / half, reach) for k in range(-half, half + 1))


def _quadrants(text):
    if not text or text == "all":
        return tuple(QUADRANTS)
    parts = [part.strip() for part in str(text).split(",")]
    if any(part not in ("1", "2", "3", "4") for part in parts):
        _refuse(
            f"--quadrants {text}", "must be numbers from 1 to 4 with commas between, or all",
            "Write --quadrants 1,4: 1 drives forwards, 2 brakes backwards, 3 drives backwards, 4 brakes forwards",
        )  # fmt: skip
    return tuple(sorted({int(part) for part in parts}))


def _refuse(label, rule, remedy):
    raise ScenarioError([f"{label}: {rule}. {remedy}."])
