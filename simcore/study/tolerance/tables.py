"""A tolerance study in the terminal: what scatters, the yield of each expectation, what drives it, the worst draw."""

import math

import numpy as np

from simcore.measure import question
from simcore.report.tables import columns, say
from simcore.report.wording import limit_text, measure_text, number, verdict_unit, window_text
from simcore.study.points.columns import short_keys
from simcore.study.points.margins import scores
from simcore.study.sweep.tables import shown

MOST_DRIVERS = 3


def print_study(study, console):
    """(ToleranceStudy, rich Console) => None."""
    scenario = study.scenario
    say(console, f"{scenario.name}: {scenario.title}" if scenario.title else scenario.name, style="bold")
    say(console, f"{len(study.points)} draws ({study.method}, seed {study.seed}) of")
    for line in columns([(f"  {one.key}", one.distribution.text) for one in study.tolerances]):
        say(console, line, hanging=4)
    console.print()
    for k in range(len(scenario.expect)):
        _print_expectation(study, k, console)
    console.print()
    say(console, "All together  " + yield_text(*study.yield_of()), style="bold")
    for line in _told(study):
        say(console, line)


def yield_text(share, low, high):
    """(yield, low, high) => "97.3 % (96.1 to 98.2 %)"."""
    return f"{_percent(share)} % ({_percent(low)} to {_percent(high)} %)"


def _percent(share):
    """One digit; what is not whole is never shown as 0 or 100."""
    if 0.0 < share < 0.001:
        return f"{100.0 * share:.2g}"
    if 0.999 < share < 1.0:
        return f"{100.0 * share:.4g}" if share < 0.99995 else "above 99.99"
    return f"{100.0 * share:.1f}"


def _print_expectation(study, k, console):
    """Yield first, then what was asked; below it how the measure scatters and what drives it."""
    asked = question(study.scenario.expect[k])
    unit = verdict_unit(asked)
    share, low, high = study.yield_of(k)
    words = f"{measure_text(asked)}, {window_text(asked)}: {limit_text(asked['limit'], unit)}"
    say(console, f"  {yield_text(share, low, high):28}  {words}", style="" if share == 1.0 else "red", hanging=32)
    values = study.measured(k)
    values = values[np.isfinite(values)]
    if len(values):
        spread = f"nominal {number(study.nominal.measured[k], unit, 4)}, {number(values.min(), unit, 4)} to "
        say(console, " " * 32 + f"{spread}{number(values.max(), unit, 4)}", hanging=32)
    if len(values) < len(study.counted):
        say(console, " " * 32 + f"{len(study.counted) - len(values)} draws have no value: {_reason(study, k)}", hanging=32)
    if told := driver_text(study.drivers_of(k)):
        say(console, " " * 32 + told, hanging=34)


def _reason(study, k):
    return next((p.error or (p.reasons[k] if p.reasons else "") for p in study.counted if not math.isfinite(p.measured[k])), "")


def driver_text(found):
    """(drivers) => "driven by gain.0 (81 %, rises), ..." of those above chance, or a sentence that none is."""
    clear = [one for one in found if one["clear"]]
    names = dict(zip((one["key"] for one in found), short_keys(one["key"] for one in found), strict=True))
    parts = [f"{names[one['key']]} ({weight_text(one)})" for one in clear[:MOST_DRIVERS]]
    if not parts:
        return "no driver stands out" if found else ""
    return f"driven by {', '.join(parts)}"


def weight_text(driver):
    """(one driver) => share of the variance and the direction, "81 %, rises with it"."""
    index, r = driver["first_order_index"], driver["rank_correlation"]
    share = f"{100.0 * index:.0f} %"
    if abs(r) < 0.3 * math.sqrt(max(index, 0.01)):
        return f"{share}, both ways"
    return f"{share}, {'rises' if r > 0.0 else 'falls'} with it"


def _told(study):
    """Lines at the end: draws that broke off or were refused, and the worst one."""
    for word, points in (("broke off", study.unfinished), ("were refused and count nowhere", study.refused)):
        if points:
            yield f"{len(points)} draws {word}, first draw {points[0].index}: {points[0].error}"
    worst = study.worst
    if worst is None:
        return
    values = ", ".join(
        f"{name} = {shown(value)}"
        for name, value in zip(short_keys(one.key for one in study.tolerances), worst.values, strict=True)
    )
    score = scores(study.points, study.limits)[study.points.index(worst)]
    reach = f"{abs(score):.2g} standard deviations {'inside' if score >= 0.0 else 'beyond'} its tightest limit"
    why = "it broke off" if worst.error else "a measure has no value" if math.isinf(score) else reach
    yield f"Worst: draw {worst.index}, {why} ({values}); run it with worst.toml"
