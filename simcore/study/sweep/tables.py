"""A sweep in the terminal: what was asked, a line a point, the best and the worst."""

from simcore.measure import question
from simcore.report.tables import columns, say
from simcore.report.wording import limit_text, measure_text, number, verdict_unit, window_text
from simcore.study.points.columns import short_keys

MOST_LINES = 40


def print_sweep(sweep, console, picture=None):
    """(Sweep, rich Console, path of the picture or None) => None."""
    scenario, points = sweep.scenario, sweep.points
    met = sum(point.met for point in points)
    say(console, f"{scenario.name}: {scenario.title}" if scenario.title else scenario.name, style="bold")
    keys = " x ".join(f"{len(axis.values)} {axis.key}" for axis in sweep.axes)
    say(console, f"{len(points)} points ({keys}): {met} meet every expectation.")
    console.print()
    for line in asked_lines(scenario.expect):
        say(console, line, hanging=6)
    console.print()
    if len(points) <= MOST_LINES:
        _print_points(sweep, console)
    for line in _told(sweep):
        say(console, line, hanging=2)
    if picture:
        say(console, f"Picture: {picture}")


def _print_points(sweep, console):
    lines = columns([*_rows(sweep)], right=range(len(sweep.axes) + len(sweep.scenario.expect)))
    for line, point in zip(lines, (None, *sweep.points), strict=True):
        style = "bold" if point is None else "" if point.met else "red"
        console.print(line, soft_wrap=True, markup=False, style=style)
    console.print()


def asked_lines(expectations):
    """(expectation models) => a line each: its number, measure, window and limit."""
    rows = []
    for k, one in enumerate(map(question, expectations), start=1):
        rows.append((f"  {k}", f"{measure_text(one)}, {window_text(one)}", limit_text(one["limit"], verdict_unit(one))))
    return columns(rows, right=(0,))


def _rows(sweep):
    """Header, then a row a point: values, measures with ! where not met, why a point has none."""
    units = [verdict_unit(question(one)) for one in sweep.scenario.expect]
    yield (*short_keys(axis.key for axis in sweep.axes), *(str(k + 1) for k in range(len(units))), "")
    for point in sweep.points:
        cells = [
            number(value, unit, 4) + ("  " if passed else " !")
            for value, unit, passed in zip(point.measured, units, point.passed, strict=True)
        ]
        yield (*(shown(value) for value in point.values), *cells, f"  {_why(point)}".rstrip())


def _why(point):
    if point.refused:
        return "refused"
    return "broke off" if point.error else ""


def shown(value):
    """A varied value as text."""
    return str(value).lower() if isinstance(value, bool) else value if isinstance(value, str) else f"{value:.6g}"


def _told(sweep):
    """Lines below the table: refused and broken-off points, best and worst."""
    refused = [point for point in sweep.points if point.refused]
    broken = [point for point in sweep.points if point.error and not point.refused]
    for word, points in (("refused", refused), ("broke off", broken)):
        if points:
            count = f"{len(points)} point{'s' if len(points) > 1 else ''}"
            yield f"{count} {word}, first {place(sweep, points[0])}: {points[0].error}"
    for word, point in (("Best", sweep.best), ("Worst", sweep.worst)):
        if point is not None:
            yield f"{word}: {place(sweep, point)}{_reach(sweep.scores[sweep.points.index(point)], point)}."


def place(sweep, point):
    """(Sweep, Point) => "key = value, key = value"."""
    keys = short_keys(axis.key for axis in sweep.axes)
    return ", ".join(f"{key} = {shown(value)}" for key, value in zip(keys, point.values, strict=True))


def _reach(score, point):
    if point.error:
        return ", where the run broke off"
    if score == float("-inf"):
        return ", where a measure has no value"
    where = "inside" if score >= 0.0 else "beyond"
    return f", {abs(score):.2g} standard deviations {where} its tightest limit"
