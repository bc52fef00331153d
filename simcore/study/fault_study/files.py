"""The files of the study: faults.csv, coverage.csv, safe_states.csv, faults.json; faults.html is page.py."""

import csv
import json
import math

from simcore.report.results import drybench_version, plain
from simcore.report.wording import CAUTION
from simcore.study.fault_study.page import page
from simcore.study.fault_study.point import NUMBERS
from simcore.study.fault_study.rows import SAFETY_CAUTION
from simcore.study.fault_study.safe_states import sentences


def rows_of(found):
    """(FaultStudy) => dicts of faults.csv."""
    for point in found.points:
        case = found.case(point)
        row = {"fault": case.name, "speed_rpm": point.values[1], "torque_Nm": point.values[2]}
        row |= {"link_V": point.values[3], "monitored": int(point.monitored)}
        row |= {"noticed_by": point.noticed_by, "tolerance_s": case.tolerance_s}
        row["in_time"] = int(found.in_time(point)) if point.monitored else ""
        yield row | dict(zip(NUMBERS, point.numbers, strict=True)) | {"state": point.state, "error": point.error}


def write_study(found, folder, pictures=()):
    """(FaultStudy, folder, pictures that will lie beside the page) => None.  Everything but these."""
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
    (folder / "faults.html").write_text(page(found, pictures), encoding="utf-8", newline="\n")


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
