"""The picture of a sweep: each measure along one varied key, or as a map over two, with its limits."""

import math

import numpy as np

from simcore.measure import question
from simcore.report import pages, panels
from simcore.report.wording import limit_text, measure_text, verdict_unit, window_text
from simcore.study.sweep.tables import place, shown

MOST_PANELS = 9
_OUTSIDE = {"color": "#F6D9CC", "linewidth": 0, "zorder": 0.5}
_RING = {"markersize": 10, "markerfacecolor": "none"}
_LIMIT = {"color": pages.ALARM, "linewidth": 0.9, "linestyle": (0, (5, 2)), "zorder": 1.8}


def draw_sweep(sweep, path):
    """(Sweep over one or two keys, path) => None. A PNG of 1600 x 1132 pixels."""
    pages.save_page(compose(sweep), path)


def compose(sweep):
    """(Sweep over one or two keys) => matplotlib Figure."""
    figure = pages.new_page()
    chosen = _chosen(sweep)
    across = 1 if len(chosen) == 1 else 2 if len(chosen) <= 4 else 3
    down = math.ceil(len(chosen) / across)
    draw = _line if len(sweep.axes) == 1 else _map
    grid = figure.add_gridspec(down, across, left=0.075, right=0.965, top=0.845, bottom=0.105, hspace=0.42, wspace=0.28)
    for place_, k in enumerate(chosen):
        axes = figure.add_subplot(grid[place_ // across, place_ % across])
        draw(axes, sweep, k)
    extremes = "   |   ".join(f"{word}: {place(sweep, point)}" for word, point in _extremes(sweep))
    pages.head(figure, sweep.scenario.title or sweep.scenario.name, [_result(sweep), extremes], sweep.scenario.name)
    hidden = len(sweep.scenario.expect) - len(chosen)
    pages.foot(figure, f"and {hidden} more measures in sweep.csv" if hidden else _legend(sweep))
    return figure


def _chosen(sweep):
    """Numbers of the expectations that are drawn; where not all fit, those that fail first."""
    count = len(sweep.scenario.expect)
    if count <= MOST_PANELS:
        return list(range(count))
    failing = sorted(range(count), key=lambda k: all(point.passed[k] for point in sweep.points))
    return sorted(failing[:MOST_PANELS])


def _result(sweep):
    return f"{sum(point.met for point in sweep.points)} of {len(sweep.points)} points meet every expectation"


def _extremes(sweep):
    return [(word, point) for word, point in (("best", sweep.best), ("worst", sweep.worst)) if point is not None]


def _legend(sweep):
    words = "crosses" if len(sweep.axes) == 1 else "crossed cells"
    return f"{words}: not met   |   grey: no value   |   ring: best point, square: worst point"


def _titled(axes, asked, values):
    """Title with window and limit below it. => values and limit in the unit that stands there, short times in ms."""
    unit, factor, limit = verdict_unit(asked), 1.0, asked["limit"]
    told = f"{window_text(asked)};  {limit_text(limit, unit)}"
    if unit == "s" and not np.any(np.abs(values) >= 1.0):
        unit, factor = "ms", 1e3
    panels.dress(axes, "")
    title = measure_text(asked) + (f" ({unit})" if unit else "")
    axes.set_title(title, loc="left", fontsize=panels.NORMAL, fontweight="bold", pad=13, color=panels.INK)
    axes.text(0.0, 1.01, told, transform=axes.transAxes, fontsize=6.5, color=panels.GREY, va="bottom", parse_math=False)
    return values * factor, {key: value * factor for key, value in limit.items()}


def _positions(axis):
    """Where an axis' values stand, and whether these are the values themselves."""
    return (np.asarray(axis.values, dtype=float), True) if axis.numeric else (np.arange(len(axis.values), dtype=float), False)


def _line(axes, sweep, k):
    """One measure over one varied key."""
    y, limit = _titled(axes, question(sweep.scenario.expect[k]), np.array([point.measured[k] for point in sweep.points]))
    (axis,) = sweep.axes
    x, numeric = _positions(axis)
    passed = np.array([point.passed[k] for point in sweep.points], dtype=bool)
    order = np.argsort(x)
    axes.plot(x[order], y[order], color=panels.BLUE, linewidth=1.2 if numeric else 0.0, marker=".", markersize=5, zorder=2.5)
    failed = ~passed & np.isfinite(y)
    axes.plot(x[failed], y[failed], "x", color=pages.ALARM, markersize=6, markeredgewidth=1.4, zorder=3)
    for point, marker in ((sweep.best, "o"), (sweep.worst, "s")):
        if point is not None and np.isfinite(point.measured[k]):
            axes.plot(x[point.index], y[point.index], marker, color=panels.INK, zorder=3.2, **_RING)
    finite = y[np.isfinite(y)]
    if len(finite) == 0:
        panels.note(axes, "no point has a value")
    else:
        _limits(axes, limit, finite)
    for at in x[~np.isfinite(y)]:
        axes.axvline(at, color="#CCCCCC", linewidth=2.0, zorder=1)
    axes.set_xlabel(axis.key, fontsize=panels.SMALL, color=panels.INK, labelpad=2)
    if not numeric:
        axes.set_xticks(x, [shown(value) for value in axis.values])
        axes.margins(x=0.15)


def edges_of(limit):
    """limit => (least, greatest) value allowed, None where open."""
    low, high = limit.get("min"), limit.get("max")
    if "equal" in limit:
        reach = limit.get("tolerance", 0.0)
        low, high = limit["equal"] - reach, limit["equal"] + reach
    return low, high


def _limits(axes, limit, values):
    """The range of the values with room, the limits that lie near, what lies beyond them shaded."""
    low, high = float(np.min(values)), float(np.max(values))
    span = max(high - low, 0.02 * max(abs(low), abs(high)), 1e-9)
    near = [edge for edge in edges_of(limit) if edge is not None and low - span <= edge <= high + span]
    low, high = min([low, *near]), max([high, *near])
    room = 0.08 * max(high - low, span)
    axes.set_ylim(low - room, high + room)
    least, greatest = edges_of(limit)
    if least is not None and least > low - room:
        axes.axhspan(low - room, least, **_OUTSIDE)
        axes.axhline(least, **_LIMIT)
    if greatest is not None and greatest < high + room:
        axes.axhspan(greatest, high + room, **_OUTSIDE)
        axes.axhline(greatest, **_LIMIT)


def _map(axes, sweep, k):
    """One measure over two varied keys, a cell a point."""
    values, _ = _titled(axes, question(sweep.scenario.expect[k]), np.array([point.measured[k] for point in sweep.points]))
    down, across = sweep.axes
    shape = len(down.values), len(across.values)
    values = values.reshape(shape)
    passed = np.array([point.passed[k] for point in sweep.points], dtype=bool).reshape(shape)
    rows, columns = (np.argsort(_positions(axis)[0]) for axis in (down, across))
    seen = np.ma.masked_invalid(values[np.ix_(rows, columns)])
    axes.set_facecolor("#CCCCCC")
    image = axes.pcolormesh(seen, cmap="cividis", edgecolor="white", linewidth=0.4 if max(shape) <= 40 else 0.0)
    bar = axes.figure.colorbar(image, ax=axes, pad=0.02, aspect=30)
    bar.ax.tick_params(labelsize=panels.SMALL, length=2.0, width=0.5)
    bar.outline.set_visible(False)
    bar.ax.yaxis.set_major_formatter(panels._tick_text(bar.ax.yaxis))
    y, x = np.nonzero(~passed[np.ix_(rows, columns)] & ~seen.mask)
    axes.plot(x + 0.5, y + 0.5, "x", color="white", markersize=7, markeredgewidth=3.0)
    axes.plot(x + 0.5, y + 0.5, "x", color=pages.ALARM, markersize=6, markeredgewidth=1.5)
    for point, marker in ((sweep.best, "o"), (sweep.worst, "s")):
        if point is not None:
            r, c = divmod(point.index, shape[1])
            at = float(np.flatnonzero(columns == c)[0]) + 0.5, float(np.flatnonzero(rows == r)[0]) + 0.5
            axes.plot(*at, marker, color="white", markeredgewidth=3.2, **_RING)
            axes.plot(*at, marker, color=panels.INK, markeredgewidth=1.1, **_RING)
    _ticks(axes.xaxis, across, columns)
    _ticks(axes.yaxis, down, rows)
    axes.grid(False)
    axes.set_xlabel(across.key, fontsize=panels.SMALL, color=panels.INK, labelpad=2)
    axes.set_ylabel(down.key, fontsize=panels.SMALL, color=panels.INK, labelpad=2)


def _ticks(axis, varied, order):
    """At most seven values of a varied key, in the middle of their cells."""
    every = math.ceil(len(order) / 7)
    chosen = range(0, len(order), every)
    axis.set_ticks([at + 0.5 for at in chosen], [shown(varied.values[order[at]]) for at in chosen])
