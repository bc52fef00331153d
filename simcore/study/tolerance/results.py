"""A tolerance study as files: tolerance.json, a line a draw in tolerance.csv, the worst draw as a scenario of its own."""

import json
import math

import numpy as np

from simcore.measure import question
from simcore.report.results import drybench_version, plain
from simcore.scenario.toml_text import write_toml
from simcore.study.points.columns import write_points
from simcore.study.tolerance.statistics import CONFIDENCE


def document_of(study):
    """ToleranceStudy => dict of JSON's types for tolerance.json."""
    share, low, high = study.yield_of()
    worst = study.worst
    told = {
        "drybench": drybench_version(),
        "scenario": study.scenario.name,
        "title": study.scenario.title,
        "draws": len(study.points),
        "method": study.method,
        "seed": study.seed,
        "counted": len(study.counted),
        "unfinished": len(study.unfinished),
        "refused": len(study.refused),
        "confidence": CONFIDENCE,
        "yield": share,
        "yield_low": low,
        "yield_high": high,
        "expectations": [_expectation(study, k) for k in range(len(study.scenario.expect))],
        "parameters": [
            {"key": one.key, "distribution": one.distribution.text, "nominal": one.distribution.nominal}
            for one in study.tolerances
        ],
        "worst": None if worst is None else {"draw": worst.index, "values": _named(study, worst), "error": worst.error},
    }
    return plain(told)


def _named(study, point):
    return {one.key: value for one, value in zip(study.tolerances, point.values, strict=True)}


def _expectation(study, k):
    share, low, high = study.yield_of(k)
    values = study.measured(k)
    finite = values[np.isfinite(values)]
    asked = question(study.scenario.expect[k])
    none = math.nan
    return {
        **asked,
        "yield": share,
        "yield_low": low,
        "yield_high": high,
        "nominal": study.nominal.measured[k],
        "mean": float(finite.mean()) if len(finite) else none,
        "standard_deviation": float(finite.std(ddof=1)) if len(finite) > 1 else none,
        "least": float(finite.min()) if len(finite) else none,
        "greatest": float(finite.max()) if len(finite) else none,
        "without_value": int(len(values) - len(finite)),
        "drivers": study.drivers_of(k),
    }


def write_study(study, folder):
    """(ToleranceStudy, empty folder) => None. tolerance.csv, worst.toml where a draw ran, tolerance.json."""
    first = {"draw": [point.index for point in study.points]}
    if "run.seed" not in (one.key for one in study.tolerances):
        first["run.seed"] = [study.job.seed(point.index) for point in study.points]
    first |= {one.key: [point.values[k] for point in study.points] for k, one in enumerate(study.tolerances)}
    write_points(folder / "tolerance.csv", first, study.points, study.scenario.expect)
    if study.worst is not None:
        (folder / "worst.toml").write_text(worst_text(study), encoding="utf-8", newline="\n")
    content = json.dumps(document_of(study), indent=2, allow_nan=False)
    (folder / "tolerance.json").write_text(content + "\n", encoding="utf-8", newline="\n")


def worst_text(study):
    """ToleranceStudy => the worst draw as TOML that runs alone and gives the same numbers to the last bit."""
    worst = study.worst
    head = [
        f"# Draw {worst.index} of {len(study.points)} of {study.scenario.name}, the worst ({study.method}, seed {study.seed}).",
        "# A scenario of its own: the drive has the drawn values, the controller believes the nominal ones.",
    ]
    head += [f"# {key} = {value!r}" for key, value in _named(study, worst).items()]
    return "\n".join(head) + "\n\n" + write_toml(study.scenario_at(worst).resolved)
