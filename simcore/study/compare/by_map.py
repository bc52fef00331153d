"""Two variants over torque and speed: two efficiency maps on one grid, and where the second must not be used."""

import math

import numpy as np

from simcore.study.compare.result import Comparison, Row, greatest, rated_V
from simcore.study.efficiency_map.columns import LOSSES
from simcore.study.efficiency_map.study import run_map

COLUMNS = ("efficiency_drive", "efficiency_inverter", "efficiency_machine", *LOSSES, "junction_degC", "winding_degC",
           "peak_voltage_V", "dv_dt_V_per_s")  # fmt: skip
EVEN = 5e-6  # of efficiency: less is no difference


def compare_by_map(first, second, names, *, speed_rpm=None, torque_Nm=None, quadrants=None, switched=False, kept=None,
                   progress=None, **how):  # fmt: skip
    """(two Scenarios, their names, grid as in run_map) => Comparison; progress(done, total) counts the points of both."""
    grid = {"quadrants": quadrants, "switched": switched}
    halves = []
    for number, scenario in enumerate((first, second)):
        beside = None if kept is None else kept.with_name(f"{kept.name}-{number}")
        tell = None if progress is None else lambda done, total, n=number: progress(done + n * total, 2 * total)
        halves.append(run_map(scenario, speed_rpm, torque_Nm, kept=beside, progress=tell, **grid, **how))
    found = _comparison(first, second, names, *halves)
    for number in range(2):
        if kept is not None:
            kept.with_name(f"{kept.name}-{number}").unlink(missing_ok=True)
    return found


def _comparison(first, second, names, one, other):
    grids = {name: (one[name], other[name]) for name in COLUMNS}
    both = np.isfinite(grids["efficiency_drive"][0]) & np.isfinite(grids["efficiency_drive"][1])
    rows = []
    for name, words in (("efficiency_inverter", "inverter"), ("efficiency_drive", "drive")):
        a, b = (100.0 * np.where(both, values, np.nan) for values in grids[name])
        rows.append(Row(f"best efficiency, {words}", "%", greatest(a), greatest(b)))
        if both.any():
            rows.append(Row(f"mean efficiency over the points, {words}", "%", float(np.nanmean(a)), float(np.nanmean(b))))
    for name, words, unit, scale in (
        ("loss_switching_W", "greatest switching loss", "W", 1.0), ("junction_degC", "hottest junction", "degC", 1.0),
        ("winding_degC", "hottest winding", "degC", 1.0), ("peak_voltage_V", "worst turn-off, over a device", "V", 1.0),
        ("dv_dt_V_per_s", "worst slope at the terminals", "V/ns", 1e-9),
    ):  # fmt: skip
        a, b = (scale * greatest(values) for values in grids[name])
        if math.isfinite(a) and math.isfinite(b):
            rows.append(Row(words, unit, a, b))
    told = _where(grids, one.grid, names, both)
    told += [*_forbidden(first, one, names[0]), *_forbidden(second, other, names[1]), *one.told]
    speeds, torques = np.array(one.grid.speeds_rpm), np.array(one.grid.torques_Nm)
    return Comparison(first, names, "map", tuple(rows), tuple(told), speeds, torques, grids, (one, other))


def _where(grids, grid, names, both):
    """Where the second pays, and where it costs."""
    gain = np.where(both, grids["efficiency_drive"][1] - grids["efficiency_drive"][0], np.nan)
    known = gain[np.isfinite(gain)]
    if not len(known):
        return ["No point has an efficiency in both variants."]
    told = []
    for sign, word in ((1.0, "more"), (-1.0, "less")):
        share = float(np.mean(sign * known > EVEN))
        if share:
            place = np.unravel_index(np.nanargmax(sign * gain), gain.shape)
            told.append(
                f"{names[1]} is {word} efficient than {names[0]} at {100.0 * share:.3g} % of the points, most at "
                f"{grid.speeds_rpm[place[0]]:g} rpm and {grid.torques_Nm[place[1]]:g} Nm: {100.0 * gain[place]:+.3f} "
                "percentage points."
            )
    return told or [f"{names[1]} and {names[0]} are equally efficient at every point."]


def _forbidden(scenario, found, name):
    """Where the overshoot passes the devices' rating: there a variant must not be used."""
    rated, peak = rated_V(scenario), found["peak_voltage_V"]
    over = np.isfinite(peak) & (peak > rated) if math.isfinite(rated) else np.zeros(peak.shape, dtype=bool)
    if not over.any():
        return []
    least = min(abs(found.grid.torques_Nm[k]) for _, k in np.argwhere(over))
    return [
        f"{name} must not be used from some {least:g} Nm on: its turn-off reaches {greatest(peak):.4g} V, the devices hold "
        f"{rated:g} V ({int(over.sum())} of {int(np.isfinite(peak).sum())} points)."
    ]
