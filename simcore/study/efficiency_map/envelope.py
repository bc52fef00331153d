"""The torque-speed envelope: what the drive gives when asked for more than it can, and the limit that forms each stretch."""

from typing import NamedTuple

import numpy as np

from simcore.study.efficiency_map.columns import OUT_OF_REACH, VALUES

BEYOND = 1.5  # times the greatest torque at the current limit
LEAST_SPEEDS = 24
FINER, ROUNDS = 3, 2  # speeds set between two neighbours that different limits bind, so often
_MOST_CHANGES = 8


class EdgePoint(NamedTuple):
    """direction: sign of torque, 1 or -1; torque_Nm: reached; limit: code of the one that bound; point: the MapPoint."""

    direction: int
    speed_rpm: float
    torque_Nm: float
    limit: int
    point: object


class Stretch(NamedTuple):
    """A part of the envelope that one limit forms: [from_rpm, to_rpm], its torque at both ends."""

    direction: int
    limit: str
    from_rpm: float
    to_rpm: float
    from_Nm: float
    to_Nm: float


def first_speeds(speeds_rpm):
    """(speeds of the map, rising) => speeds of the envelope: the map's, and even ones between where these are few."""
    if len(speeds_rpm) >= LEAST_SPEEDS or len(speeds_rpm) == 1:
        return tuple(speeds_rpm)
    return tuple(sorted({*speeds_rpm, *(float(f"{v:.9g}") for v in np.linspace(speeds_rpm[0], speeds_rpm[-1], LEAST_SPEEDS))}))


def edge_points(points):
    """(MapPoints asked for more than can be reached) => EdgePoints by direction and speed; runs that broke off are left out."""
    reached = [p for p in points if np.isfinite(p.torque_reached_Nm)]
    edges = [
        EdgePoint(1 if p.torque_Nm > 0.0 else -1, p.speed_rpm, p.torque_reached_Nm, int(p.binding_limit), p) for p in reached
    ]
    return sorted(edges, key=lambda e: (-e.direction, e.speed_rpm))


def finer_speeds(edges):
    """(EdgePoints) => [(direction, speed), ...] between neighbours that different limits bind, to find where one takes over."""
    found = []
    for one, other in _changes(edges)[:_MOST_CHANGES]:
        inside = np.linspace(one.speed_rpm, other.speed_rpm, FINER + 2)[1:-1]
        found += [(one.direction, float(f"{speed:.9g}")) for speed in inside]
    return found


def _changes(edges):
    return [
        (one, other) for one, other in zip(edges, edges[1:], strict=False)
        if one.direction == other.direction and one.limit != other.limit
    ]  # fmt: skip


def with_torque(point, edges):
    """(MapPoint, EdgePoints) => the point; one that was given up as too hot gets the torque of the envelope at its speed."""
    if point.status != OUT_OF_REACH or np.isfinite(point.torque_reached_Nm):
        return point
    same = [e.torque_Nm for e in edges if e.speed_rpm == point.speed_rpm and e.torque_Nm * point.torque_Nm > 0.0]
    if not same:
        return point
    found = tuple(same[0] if name == "torque_reached_Nm" else value for name, value in zip(VALUES, point.found, strict=True))
    return point._replace(found=found, reason=f"{point.reason}, {same[0]:.5g} Nm reached")


def stretches(edges, names):
    """(EdgePoints, {code: name}) => Stretches; one ends half way to the first point of the next."""
    found = []
    for direction in (1, -1):
        mine = [edge for edge in edges if edge.direction == direction]
        if not mine:
            continue
        starts = [0, *(k for k in range(1, len(mine)) if mine[k].limit != mine[k - 1].limit), len(mine)]
        for a, b in zip(starts, starts[1:], strict=False):
            begin = mine[a] if a == 0 else _between(mine[a - 1], mine[a])
            end = mine[b - 1] if b == len(mine) else _between(mine[b - 1], mine[b])
            limit = names.get(mine[a].limit, f"code_{mine[a].limit}")
            found.append(Stretch(direction, limit, begin.speed_rpm, end.speed_rpm, begin.torque_Nm, end.torque_Nm))
    return found


def _between(one, other):
    return EdgePoint(
        one.direction, 0.5 * (one.speed_rpm + other.speed_rpm), 0.5 * (one.torque_Nm + other.torque_Nm), one.limit, None
    )
