"""A trip's course => its figures: energies at battery and wheels, losses by stage, efficiencies, tracking, temperatures."""

import math

import numpy as np

from simcore.study.cycle.road import KWH

USES = ("road_load",)


def figures(course, driver_model, asked):
    """(Course, Driver model, Cycle) => dict of plain numbers; energies in kWh, None where something does not exist."""
    out, back = course.energy_J(course.power_supply_W)
    net, way = out + back, course.distance_km
    losses = {name: course.total_J(values) / KWH for name, values in course.losses_W.items() if name not in USES}
    uses = {
        "road_load": course.total_J(course.losses_W["road_load"]) / KWH, "climbing": course.total_J(course.climbing_W) / KWH,
        "kinetic": course.kinetic_J / KWH, "stored": course.stored_J / KWH,
    }  # fmt: skip
    driving, braking = course.energy_J(course.power_wheel_W)
    return {
        "mode": course.mode,
        "duration_s": float(course.time_s[-1] + course.length_s[-1]) if len(course.time_s) else 0.0,
        "distance_km": way,
        "discharged_kWh": out / KWH,
        "regenerated_kWh": -back / KWH,
        "net_kWh": net / KWH,
        "kWh_per_100km": net / KWH / way * 100.0 if way > 0.0 else math.nan,
        "losses_kWh": losses,
        "uses_kWh": uses,
        "unexplained_kWh": net / KWH - sum(losses.values()) - sum(uses.values()),
        "wheels_kWh": {"driving": driving / KWH, "braking": -braking / KWH, "net": (driving + braking) / KWH},
        "link_kWh": dict(zip(("driving", "braking"), _signed(course, course.power_link_W), strict=True)),
        "efficiency": efficiencies(course),
        "regenerated_share_of_braking": back / braking if braking < 0.0 else math.nan,
        "tracking_error_kmh": tracking(course, driver_model, asked),
        "temperatures_degC": {name: _extremes(course, values) for name, values in course.temperatures_degC.items()},
        "state_of_charge": {"begin": _first(course.state_of_charge), "end": course.closing_charge},
        "ended": course.ended or None,
        "wall_s": course.wall_s,
    }


def _signed(course, power):
    above, below = course.energy_J(power)
    return above / KWH, -below / KWH


def _first(values):
    return float(values[0]) if len(values) else math.nan


def _extremes(course, values):
    at = int(np.argmax(values)) if len(values) else None
    if at is None:
        return {"begin": None, "max": None, "max_at_s": None, "end": None}
    return {"begin": float(values[0]), "max": float(values[at]), "max_at_s": float(course.time_s[at]), "end": float(values[-1])}


def efficiencies(course):
    """Course => energy ratios of the drive, never means over time: driving (shaft over link), braking (link over shaft), and
    what comes out at either end over what goes in at either."""
    link, shaft, length = course.power_link_W, course.power_shaft_W, course.length_s
    drives, brakes = shaft > 0.0, shaft < 0.0
    ratio = lambda a, b: float(a / b) if b > 0.0 else math.nan  # noqa: E731
    above = lambda power: float(np.sum(np.maximum(power, 0.0) * length))  # noqa: E731
    return {
        "drive_driving": ratio(float(np.sum((shaft * length)[drives])), float(np.sum((link * length)[drives]))),
        "drive_braking": ratio(-float(np.sum((link * length)[brakes])), -float(np.sum((shaft * length)[brakes]))),
        "drive": ratio(above(shaft) + above(-link), above(link) + above(-shaft)),
    }


def tracking(course, model, asked):
    """(Course, Driver model, Cycle) => error of the speed and the stretches in which the cycle was not followed.

    Followed is what stays within tolerance_kmh of the speeds asked from tolerance_s before to tolerance_s after.
    """
    error = course.speed_kmh - course.speed_asked_kmh
    if not len(error):
        return {"max": None, "max_at_s": None, "rms": None, "not_followed_s": 0.0, "where": []}
    worst = int(np.argmax(np.abs(error)))
    outside = _outside(course, model, asked)
    return {
        "max": float(abs(error[worst])), "max_at_s": float(course.time_s[worst]),
        "rms": math.sqrt(float(np.average(error**2, weights=course.length_s))),
        "not_followed_s": float(np.sum(course.length_s[outside])), "where": _stretches(course, error, outside),
    }  # fmt: skip


def _outside(course, model, asked):
    """=> rows (n,) in which the speed leaves the band around the speed asked."""
    reach = np.linspace(-model.tolerance_s, model.tolerance_s, 21)
    near = np.array([asked.speed_at(course.time_s + shift) for shift in reach]) * 3.6
    low, high = near.min(axis=0) - model.tolerance_kmh, near.max(axis=0) + model.tolerance_kmh
    return (course.speed_kmh < low) | (course.speed_kmh > high)


def _stretches(course, error, outside):
    edges = np.flatnonzero(np.diff(np.concatenate([[0], outside.astype(int), [0]])))
    found = []
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        at = first + int(np.argmax(np.abs(error[first:after])))
        found.append({
            "from_s": float(course.time_s[first]), "to_s": float(course.time_s[after - 1] + course.length_s[after - 1]),
            "error_kmh": float(error[at]), "at_s": float(course.time_s[at]), "asked_kmh": float(course.speed_asked_kmh[at]),
        })  # fmt: skip
    return found


def compared(loop, by_map):
    """(figures of the loop, figures of the map) => relative differences map less loop, in percent of the loop's."""
    names = ("discharged_kWh", "regenerated_kWh", "net_kWh", "kWh_per_100km", "distance_km")
    percent = lambda a, b: 100.0 * (b - a) / abs(a) if a else math.nan  # noqa: E731
    drive = ("conduction", "switching", "gate", "capacitor", "copper", "iron")
    total = lambda one: sum(one["losses_kWh"].get(name, 0.0) for name in drive)  # noqa: E731
    return {
        **{f"{name.removesuffix('_kWh')}_percent": percent(loop[name], by_map[name]) for name in names},
        "drive_losses_percent": percent(total(loop), total(by_map)),
    }
