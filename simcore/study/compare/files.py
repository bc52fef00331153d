"""The files of a comparison: compare.json, compare.csv, figures."""

import csv
import json
import math

from simcore.report.results import drybench_version, plain


def as_document(found):
    """(Comparison) => the contents of compare.json."""
    first, second = found.names
    return plain({
        "drybench": drybench_version(), "scenario": found.scenario.name, "by": found.by, "first": first, "second": second,
        "numbers": [
            {"what": row.what, "unit": row.unit, "first": row.first, "second": row.second, "second_less_first": row.less}
            for row in found.rows
        ],
        "worth": found.worth,
        "told": list(found.told),
    })  # fmt: skip


def write_comparison(found, folder):
    """(Comparison, folder) => None.  compare.json; compare.csv: of a map a row a point, else a row a number."""
    text = json.dumps(as_document(found), indent=2, allow_nan=False)
    (folder / "compare.json").write_text(text + "\n", encoding="utf-8", newline="\n")
    with open(folder / "compare.csv", "w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        if found.by != "map":
            table.writerow(("what", "unit", "first", "second", "second_less_first"))
            table.writerows([(row.what, row.unit, row.first, row.second, row.less) for row in found.rows])
            return
        names = [name for name in found.grids if math.isfinite(_any(found.grids[name]))]
        table.writerow(["speed_rpm", "torque_Nm", *(f"{name}_{which}" for name in names for which in ("first", "second"))])
        for i, speed in enumerate(found.speeds_rpm):
            for k, torque in enumerate(found.torques_Nm):
                cells = [grid[i, k] for name in names for grid in found.grids[name]]
                table.writerow([speed, torque, *("" if not math.isfinite(cell) else cell for cell in cells)])


def _any(grids):
    """A finite number of a pair of arrays, NaN where there is none."""
    return next((float(value) for grid in grids for value in grid.ravel() if math.isfinite(value)), math.nan)
