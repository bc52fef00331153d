"""Points as columns of a CSV file and as lines of the terminal: a short name for each measure, unlike any other."""

import csv
import math

from simcore.measure import question

_PARTS = (("order", "order"), ("step_at_s", "step"), ("from_s", "from"), ("to_s", "to"))


def measure_names(expectations):
    """(expectation models) => column names, torque_Nm.mean.from_0.05.to_0.1 with what the expectation gives."""
    names = []
    for one in map(question, expectations):
        parts = [f"{word}_{one[key]:g}" for key, word in _PARTS if key in one]
        if "band_percent" in one:
            parts.append(f"band_{one['band_percent']:g}")
        names.append(".".join([one["signal"], one["measure"], *parts]))
    # The same measure with another limit.
    return [name if names.index(name) == k else f"{name}.{k + 1}" for k, name in enumerate(names)]


def short_keys(keys):
    """(dotted keys) => their last parts, with as many before them as tell them apart."""
    keys = [key.split(".") for key in keys]
    found = []
    for key in keys:
        # An index alone says nothing.
        parts = next(n for n in range(1, len(key) + 1) if not key[-n].isdigit())
        while sum(other[-parts:] == key[-parts:] for other in keys) > 1 and parts < len(key):
            parts += 1
        found.append(".".join(key[-parts:]))
    return found


def write_points(path, first, points, expectations):
    """(path, {name of a leading column: values a point}, Points, expectations) => None.

    A CSV with a header; the measures, met (1 or 0) and error follow. Numbers have all their digits, or are left out.
    """
    with open(path, "w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow([*first, *measure_names(expectations), "met", "error"])
        for k, point in enumerate(points):
            leading = [_cell(values[k]) for values in first.values()]
            table.writerow([*leading, *map(_cell, point.measured), int(point.met), point.error or ""])


def _cell(value):
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else ""
    return value
