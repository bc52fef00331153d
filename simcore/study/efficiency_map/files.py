"""The files of a map: map.csv, map.npz, envelope.csv, unreachable.csv, map.json."""

import csv
import json
import math

import numpy as np

from simcore.report.arrays import write_npz
from simcore.report.results import drybench_version, plain
from simcore.study.efficiency_map import load_points as loads
from simcore.study.efficiency_map import measured, window
from simcore.study.efficiency_map.columns import OK, OUT_OF_REACH, STATUSES, TABLE, VALUES
from simcore.study.efficiency_map.efficiency import STAGES
from simcore.study.efficiency_map.point import limit_text

_WORDS = ("status", "reason")


def write_map(found, folder):
    """(EfficiencyMap, folder) => None.  Writes all files but the figures."""
    _write_csv(folder / "map.csv", TABLE, [_row(found, point) for point in found.points])
    unreachable = [_row(found, point) for point in found.of_status(OUT_OF_REACH)]
    _write_csv(folder / "unreachable.csv", ("speed_rpm", "torque_Nm", "torque_reached_Nm", "limit", "reason"), unreachable)
    _write_csv(folder / "envelope.csv", ("speed_rpm", "torque_Nm", "binding_limit", "limit"), [
        {"speed_rpm": e.speed_rpm, "torque_Nm": e.torque_Nm, "binding_limit": e.limit, "limit": limit_name(found, e.limit)}
        for e in found.edges
    ])  # fmt: skip
    if found.rated is not None:
        told = loads.rows(found)
        _write_csv(folder / "load_points.csv", tuple(told[0]), told)
    write_npz(folder / "map.npz", arrays_of(found))
    text = json.dumps(as_document(found), indent=2, allow_nan=False)
    (folder / "map.json").write_text(text + "\n", encoding="utf-8", newline="\n")


def limit_name(found, code):
    """(EfficiencyMap, code of a limit) => its name, "" where there is none."""
    return found.binding_names.get(int(code), f"code_{code:g}") if math.isfinite(code) else ""


def _row(found, point):
    """MapPoint => {column: value}."""
    row = {name: point.told(name) for name in VALUES} | {"status": point.status, "reason": point.reason}
    row |= {"speed_rpm": point.speed_rpm, "torque_Nm": point.torque_Nm, "limit": limit_name(found, point.binding_limit)}
    return row | {name: found.efficiency_of(point, name) for name in STAGES}


def _write_csv(path, names, rows):
    """Numbers have all their digits, or are left out."""
    with open(path, "w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(names)
        table.writerows([[_cell(row[name], name) for name in names] for row in rows])


def _cell(value, name):
    if not isinstance(value, float):
        return value
    if not math.isfinite(value):
        return ""
    return int(value) if name == "binding_limit" else repr(value)


def arrays_of(found):
    """EfficiencyMap => (name, array) for map.npz: axes, every column (speeds, torques), the envelope (points,)."""
    yield "speed_rpm", np.array(found.grid.speeds_rpm, dtype=float)
    yield "torque_Nm", np.array(found.grid.torques_Nm, dtype=float)
    for name in (*STAGES, *VALUES):
        yield name, found[name]
    yield "status", found["status"].astype(np.int64)
    yield "envelope_speed_rpm", np.array([edge.speed_rpm for edge in found.edges], dtype=float)
    yield "envelope_torque_Nm", np.array([edge.torque_Nm for edge in found.edges], dtype=float)
    yield "envelope_limit", np.array([edge.limit for edge in found.edges], dtype=np.int64)


def as_document(found):
    """EfficiencyMap => dict of JSON's types: what was asked, what came, the envelope, the names of the codes."""
    told = {
        "drybench": drybench_version(), "scenario": found.scenario.name, "model": "switched" if found.switched else "averaged",
        "speed_rpm": found.grid.speeds_rpm, "torque_Nm": found.grid.torques_Nm, "quadrants": found.grid.quadrants,
        "told": found.told, "points": {status: len(found.of_status(status)) for status in STATUSES},
        "best": {name: best_of(found, name) for name in STAGES},
        "envelope": [stretch._asdict() for stretch in found.stretches], "rated": found.rated, "load_points": loads.rows(found),
        "steady": {
            "settle_time_constants": window.SETTLE_CONSTANTS, "time_constant_s": found.job.windows.tau_s,
            "torque_share_of_greatest": measured.TORQUE_SHARE, "loss_share": measured.LOSS_SHARE,
            "least_window_s": window.LEAST_S, "longest_period_s": window.LONGEST_PERIOD_S, "rounds": window.ROUNDS,
        },
        "least_power_W": found.least_W, "status_codes": dict(enumerate(STATUSES)), "binding_limits": found.binding_names,
    }  # fmt: skip
    return plain(told)


def best_of(found, name):
    """(EfficiencyMap, stage) => its greatest efficiency with speed and torque, None where there is none."""
    told = [(found.efficiency_of(point, name), point) for point in found.of_status(OK)]
    told = [pair for pair in told if math.isfinite(pair[0])]
    if not told:
        return None
    best, point = max(told, key=lambda pair: pair[0])
    return {"efficiency": best, "speed_rpm": point.speed_rpm, "torque_Nm": point.torque_Nm}


def limit_counts(found):
    """EfficiencyMap => {limit in words: points out of reach by it}, the most frequent first."""
    names = [limit_text(limit_name(found, point.binding_limit)) for point in found.of_status(OUT_OF_REACH)]
    return dict(sorted(((name, names.count(name)) for name in set(names)), key=lambda one: (-one[1], one[0])))
