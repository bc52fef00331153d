"""The files of the study: faults.csv, coverage.csv, safe_states.csv, faults.json, faults.html."""

import csv
import html
import json
import math

from simcore.report.results import drybench_version, plain
from simcore.report.wording import CAUTION
from simcore.study.fault_study.case import BRIEF_s
from simcore.study.fault_study.job import AFTER_s
from simcore.study.fault_study.point import NUMBERS
from simcore.study.fault_study.safe_states import sentences

SAFETY_CAUTION = (
    "Gates off (STO in IEC 61800-5-2) is no torque-free state above the speed at which the EMF reaches the link voltage; an "
    "active short circuit is not STO, its braking torque remains. Thresholds and times belong to the functional-safety process "
    "of the vehicle (ISO 26262: fault-tolerant time interval). This study certifies nothing."
)


def rows_of(found):
    """(FaultStudy) => dicts of faults.csv."""
    for point in found.points:
        case = found.case(point)
        row = {"fault": case.name, "speed_rpm": point.values[1], "torque_Nm": point.values[2]}
        row |= {"link_V": point.values[3], "monitored": int(point.monitored)}
        row |= {"noticed_by": point.noticed_by, "tolerance_s": case.tolerance_s}
        row["in_time"] = int(found.in_time(point)) if point.monitored else ""
        yield row | dict(zip(NUMBERS, point.numbers, strict=True)) | {"state": point.state, "error": point.error}


def write_study(found, folder):
    """(FaultStudy, folder) => None.  Everything but the figures."""
    _write(folder / "faults.csv", list(rows_of(found)))
    checks = sorted({check for _, check in found.coverage})
    names = [case.name for case in found.list.cases]
    _write(folder / "coverage.csv", [
        {"fault": name, **{check: found.coverage.get((name, check), 0.0) for check in checks}} for name in names
    ])  # fmt: skip
    _write(folder / "safe_states.csv", [
        {"safe_state": reaction, "speed_rpm": point.values[1], "link_V": point.values[3]}
        | dict(zip(NUMBERS, point.numbers, strict=True))
        for reaction, points in found.safe.items() for point in points
    ])  # fmt: skip
    text = json.dumps(as_document(found), indent=2, allow_nan=False)
    (folder / "faults.json").write_text(text + "\n", encoding="utf-8", newline="\n")
    (folder / "faults.html").write_text(page(found), encoding="utf-8", newline="\n")


def _write(path, rows):
    with open(path, "w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, rows[0] if rows else ["fault"], lineterminator="\n")
        table.writeheader()
        for row in rows:
            table.writerow({key: "" if isinstance(value, float) and not math.isfinite(value) else value
                            for key, value in row.items()})  # fmt: skip


def as_document(found):
    """(FaultStudy) => the contents of faults.json."""
    covered, total = found.covered
    return plain({
        "drybench": drybench_version(), "scenario": found.scenario.name, "list": found.list.name,
        "faults": total, "noticed_in_time_at_every_point": covered,
        "runs_monitored": len(found.monitored), "runs_in_time": sum(map(found.in_time, found.monitored)),
        "false_alarms": [
            dict(zip(("speed_rpm", "torque_Nm", "link_V"), point.values[1:4], strict=True))
            | {"check": point.noticed_by, "error": point.error}
            for point in found.false_alarms
        ],
        "healthy_runs": len(found.healthy),
        "missed": [
            dict(zip(("fault", "speed_rpm", "torque_Nm", "link_V", "why"), one, strict=True)) for one in found.missed
        ],
        "operating_points": [list(place) for place in found.places.points],
        "crossover_rpm": found.crossover_rpm,
        "crossovers": [{"link_V": link, "speed_rpm": speed} for link, speed in found.crossovers.items()],
        "safe_states": sentences(found),
        "told": list(found.told),
        "caution": [SAFETY_CAUTION, CAUTION],
    })  # fmt: skip


def page(found):
    """(FaultStudy) => one HTML page that can go into a file: result, coverage, misses, safe states, cautions."""
    covered, total = found.covered
    text = lambda value: html.escape(f"{value:.5g}" if isinstance(value, float) else str(value))  # noqa: E731
    table = lambda head, rows: (  # noqa: E731
        f"<table><tr>{''.join(f'<th>{text(cell)}</th>' for cell in head)}</tr>"
        + "".join(f"<tr>{''.join(f'<td>{text(cell)}</td>' for cell in row)}</tr>" for row in rows) + "</table>"
    )  # fmt: skip
    worst = worst_rows(found)
    title = f"Faults of {found.scenario.title or found.scenario.name}"
    safe = [
        (point.values[1], reaction.replace("_", " "), point.values[3], point.torque_after_Nm, point.peak_current_A,
         point.id_min_A, point.link_voltage_max_V)
        for reaction, points in found.safe.items() for point in points
    ]  # fmt: skip
    parts = [
        f"<h1>{text(title)}</h1>",
        f"<p>{text(SAFETY_CAUTION)} {text(CAUTION)}</p>",
        f"<p>{covered} of {total} faults are noticed within their tolerance time at every operating point; "
        f"{len(found.false_alarms)} false alarms in {len(found.healthy)} healthy runs.</p>",
        f"<p>{text(points_line(found))}</p>",
        "<h2>Faults, worst operating point each, with the monitor</h2>",
        table(("fault", "noticed by", "slowest notice, ms", "slowest safe state, ms", "allowed, ms", "peak current, A",
               "torque, Nm", "torque impulse, Nm s", "link, V", "least id, A"), worst),
        *_vehicle_part(found, table),
        "<h2>Not in time, with the reason</h2>",
        table(("fault", "speed, rpm", "torque, Nm", "link, V", "why"), found.missed),
        "<h2>Safe states over speed</h2>",
        *(f"<p>{text(sentence)}</p>" for sentence in sentences(found)),
        table(("speed, rpm", "safe state", "link before, V", "torque after, Nm", "peak current, A", "least id, A",
               "highest link, V"), sorted(safe)),
        *(f"<p>{text(sentence)}</p>" for sentence in found.told),
        f"<p>drybench {text(drybench_version())}</p>",
    ]
    style = "body{font:14px sans-serif;margin:2em;max-width:75em}table{border-collapse:collapse}"
    style += "td,th{padding:2px 8px;border:1px solid #999}"
    return f'<!doctype html><meta charset="utf-8"><title>{text(title)}</title><style>{style}</style>{"".join(parts)}\n'


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


def _vehicle_part(found, table):
    rows = vehicle_rows(found)
    if not rows:
        return
    load = found.scenario.load
    yield "<h2>What the vehicle feels</h2>"
    yield (
        f"<p>{load.mass_kg:.5g} kg behind a gear of {load.gear_ratio:.4g} on wheels of {load.wheel_radius_m:.4g} m. Impulse: "
        "the torque that was not there before the fault, over gear and wheel, until the end of the run, "
        f"{1e3 * AFTER_s:g} ms beyond the time allowed; it holds the torque that a safe state no longer gives. Speed: how far "
        "it has left the straight line it was on. Without monitor, shorts through the power stage are looked at for "
        f"{1e3 * BRIEF_s:g} ms. Wheel slip is left out.</p>"
    )
    yield table(("fault", "impulse, N s", "speed, km/h", "impulse without monitor, N s", "speed without monitor, km/h"), rows)
