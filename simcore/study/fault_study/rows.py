"""What the study tells in tables: the extremes of each fault over the operating points, and the sentences around them."""

import math

SAFETY_CAUTION = (
    "Gates off (STO in IEC 61800-5-2) is no torque-free state above the speed at which the EMF reaches the link voltage; an "
    "active short circuit is not STO, its braking torque remains. Thresholds and times belong to the functional-safety process "
    "of the vehicle (ISO 26262: fault-tolerant time interval). This study certifies nothing."
)


def worst_rows(found):
    """For each fault: its checks, and the extremes over the operating points."""
    rows = []
    for case in found.list.cases:
        points = [point for point in found.monitored if found.case(point) is case]
        if not points:
            continue
        checks = sorted({point.noticed_by for point in points if point.noticed_by})
        rows.append((
            case.name, ", ".join(checks) or "none", 1e3 * _extreme(points, "time_to_notice_s"),
            1e3 * _extreme(points, "time_to_safe_state_s"), 1e3 * case.tolerance_s, _extreme(points, "peak_current_A"),
            _torques(points), _extreme(points, "torque_impulse_Nms", key=abs), _extreme(points, "link_voltage_max_V"),
            _extreme(points, "id_min_A", min),
        ))  # fmt: skip
    return rows


def energy_rows(found, monitored):
    """For each fault, with the monitor or without: extremes of current, torque, link, energies [J] and temperatures [degC]."""
    rows = []
    for case in found.list.cases:
        points = [p for p in found.points if p.monitored == monitored and found.case(p) is case]
        if not any(math.isfinite(p.torque_min_Nm) for p in points):
            continue
        tops = [_extreme(points, name) for name in _TOPS]
        rows.append((
            case.name, _extreme(points, "peak_current_A"), _torques(points), _extreme(points, "torque_impulse_Nms", key=abs),
            _extreme(points, "link_voltage_max_V"), _extreme(points, "id_min_A", min),
            _extreme(points, "link_energy_J", key=abs), *tops,
        ))  # fmt: skip
    return rows


_TOPS = ("chopper_energy_J", "junction_max_degC", "winding_max_degC")


def _extreme(points, name, pick=max, key=None):
    """Of the points that have this number; NaN where none has."""
    known = [value for value in (getattr(point, name) for point in points) if math.isfinite(value)]
    return pick(known, key=key, default=math.nan)


def _torques(points):
    return f"{_extreme(points, 'torque_min_Nm', min):.4g} to {_extreme(points, 'torque_max_Nm'):.4g}"


def points_line(found):
    """Which operating points there are, in a sentence."""
    points = found.places.points
    columns = zip(zip(*points, strict=True), ("rpm", "Nm", "V"), strict=True)
    spans = [f"{min(values):.5g} to {max(values):.5g} {unit}" for values, unit in columns]
    return f"{len(points)} operating points: " + ", ".join(spans) + " (link without load)."


def vehicle_rows(found):
    """For each fault on a vehicle: the hardest impulse at the wheels [N s] and the farthest speed off its line [km/h], with the
    monitor and without; empty where the load is no vehicle."""
    rows = []
    if found.scenario.load.kind != "vehicle":
        return rows
    for case in found.list.cases:
        row = [case.name]
        for monitored in (True, False):
            points = [p for p in found.points if p.monitored == monitored and found.case(p) is case]
            for name in ("vehicle_impulse_Ns", "vehicle_speed_change_kmh"):
                row.append(_extreme(points, name, key=abs))
        if any(math.isfinite(value) for value in row[1:]):
            rows.append(tuple(row))
    return rows
