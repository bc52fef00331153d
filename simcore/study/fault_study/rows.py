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
        low, high = min(point.torque_min_Nm for point in points), max(point.torque_max_Nm for point in points)
        impulse = max((point.torque_impulse_Nms for point in points), key=abs)
        rows.append((
            case.name, ", ".join(checks) or "none", 1e3 * _slowest(points, "time_to_notice_s"),
            1e3 * _slowest(points, "time_to_safe_state_s"), 1e3 * case.tolerance_s, max(p.peak_current_A for p in points),
            f"{low:.4g} to {high:.4g}", impulse, max(p.link_voltage_max_V for p in points), min(p.id_min_A for p in points),
        ))  # fmt: skip
    return rows


def energy_rows(found, monitored):
    """For each fault, with the monitor or without: extremes of current, torque, link, energies [J] and temperatures [degC]."""
    rows = []
    for case in found.list.cases:
        points = [p for p in found.points if p.monitored == monitored and found.case(p) is case]
        points = [p for p in points if math.isfinite(p.torque_min_Nm)]
        if not points:
            continue
        most = {name: max((getattr(p, name) for p in points), key=_size) for name in ("torque_impulse_Nms", "link_energy_J")}
        torque = f"{min(p.torque_min_Nm for p in points):.4g} to {max(p.torque_max_Nm for p in points):.4g}"
        tops = [max(getattr(p, name) for p in points) for name in _TOPS]
        rows.append((
            case.name, max(p.peak_current_A for p in points), torque, most["torque_impulse_Nms"],
            max(p.link_voltage_max_V for p in points), min(p.id_min_A for p in points), most["link_energy_J"], *tops,
        ))  # fmt: skip
    return rows


_TOPS = ("chopper_energy_J", "junction_max_degC", "winding_max_degC")


def _size(value):
    return abs(value) if math.isfinite(value) else -1.0


def _slowest(points, name):
    known = [value for value in (getattr(point, name) for point in points) if math.isfinite(value)]
    return max(known) if known else math.nan


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
                known = [value for value in (getattr(p, name) for p in points) if math.isfinite(value)]
                row.append(max(known, key=abs, default=math.nan))
        if any(math.isfinite(value) for value in row[1:]):
            rows.append(tuple(row))
    return rows
