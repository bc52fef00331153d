"""The picture of a tolerance study: how each measure scatters about its limits, its yield, and what drives it."""

import numpy as np

from simcore.measure import question
from simcore.report import pages, panels
from simcore.report.wording import limit_text, measure_text, verdict_unit, window_text
from simcore.study.points.columns import short_keys
from simcore.study.sweep.figure import edges_of
from simcore.study.tolerance.tables import weight_text, yield_text

MOST_ROWS, MOST_BARS, BINS = 6, 4, 48


def draw_study(study, path):
    """(ToleranceStudy, path) => None. A PNG of 1600 x 1132 pixels."""
    pages.save_page(compose(study), path)


def compose(study):
    """(ToleranceStudy) => matplotlib Figure: a row an expectation, those of least yield where not all fit."""
    figure = pages.new_page()
    count = len(study.scenario.expect)
    chosen = sorted(sorted(range(count), key=lambda k: study.yield_of(k)[0])[:MOST_ROWS])
    rows = max(len(chosen), 3)
    grid = figure.add_gridspec(
        rows, 2, left=0.04, right=0.975, top=0.835, bottom=0.085, hspace=0.95 if rows > 4 else 0.7, wspace=0.42,
        width_ratios=(1.35, 1.0),
    )  # fmt: skip
    for row, k in enumerate(chosen):
        _scatter(figure.add_subplot(grid[row, 0]), study, k)
        _drivers(figure.add_subplot(grid[row, 1]), study, k)
    how = f"({study.method} draws, interval of 95 % confidence)"
    together = f"{yield_text(*study.yield_of())} of {len(study.counted)} draws meet every expectation {how}"
    scatter = "   |   ".join(
        f"{name}: {one.distribution.text}"
        for name, one in zip(short_keys(one.key for one in study.tolerances), study.tolerances, strict=True)
    )
    pages.head(figure, study.scenario.title or study.scenario.name, [together, scatter], study.scenario.name)
    pages.foot(figure, _footer(study, count - len(chosen)))
    return figure


def _footer(study, hidden):
    odd = (("broke off", study.unfinished), ("refused", study.refused))
    parts = [f"{len(points)} draws {word}" for word, points in odd if points]
    parts += [f"and {hidden} more measures in tolerance.json"] if hidden else []
    return "   |   ".join([*parts, "black tick: nominal drive, dashes: limits, red: not met"])


def _scatter(axes, study, k):
    """Histogram of one measure; draws beyond a limit in red, the nominal value as a tick."""
    asked = question(study.scenario.expect[k])
    unit, factor = verdict_unit(asked), 1.0
    values = study.measured(k)
    passed = np.array([point.passed[k] for point in study.counted], dtype=bool)[np.isfinite(values)]
    values = values[np.isfinite(values)]
    if unit == "s" and not np.any(np.abs(values) >= 1.0):
        unit, factor = "ms", 1e3
    panels.dress(axes, "")
    title = f"{yield_text(*study.yield_of(k))}   {measure_text(asked)}" + (f" ({unit})" if unit else "")
    colour = panels.INK if passed.all() and len(values) else pages.ALARM
    axes.set_title(title, loc="left", fontsize=panels.NORMAL, fontweight="bold", pad=12, color=colour)
    told = f"{window_text(asked)};  {limit_text(asked['limit'], verdict_unit(asked))}"
    axes.text(0.0, 1.02, told, transform=axes.transAxes, fontsize=6.5, color=panels.GREY, va="bottom", parse_math=False)
    axes.grid(False, axis="y")
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    if len(values) == 0:
        panels.note(axes, "no draw has a value")
        return
    _bars(axes, values * factor, passed, [None if edge is None else edge * factor for edge in edges_of(asked["limit"])])
    nominal = study.nominal.measured[k] * factor
    if np.isfinite(nominal):
        axes.plot([nominal], [0.0], marker="^", color=panels.INK, markersize=6, clip_on=False, zorder=4, linestyle="none")


def _bars(axes, values, passed, limits):
    low, high = float(values.min()), float(values.max())
    span = max(high - low, 1e-6 * max(abs(low), abs(high)), 1e-12)
    edges = np.linspace(low - 0.01 * span, high + 0.01 * span, BINS + 1)
    heights = [np.histogram(part, edges)[0] for part in (values[passed], values[~passed])]
    middle, width = 0.5 * (edges[1:] + edges[:-1]), (edges[1] - edges[0]) * 0.92
    axes.bar(middle, heights[0], width, color=panels.BLUE, linewidth=0)
    axes.bar(middle, heights[1], width, bottom=heights[0], color=panels.VERMILION, linewidth=0)
    near = [edge for edge in limits if edge is not None and low - 0.6 * span <= edge <= high + 0.6 * span]
    for edge in near:
        axes.axvline(edge, color=pages.ALARM, linewidth=1.0, linestyle=(0, (5, 2)), zorder=3)
    axes.set_xlim(min([low, *near]) - 0.05 * span, max([high, *near]) + 0.05 * span)
    axes.set_ylim(0.0, 1.05 * max((heights[0] + heights[1]).max(), 1))


def _drivers(axes, study, k):
    """Share of the variance that each parameter explains alone; grey where chance may show as much."""
    found = study.drivers_of(k)[:MOST_BARS]
    panels.dress(axes, "")
    axes.set_title("share of the variance", loc="left", fontsize=panels.SMALL, color=panels.GREY, pad=3)
    names = dict(zip((one.key for one in study.tolerances), short_keys(one.key for one in study.tolerances), strict=True))
    for row, one in enumerate(found):
        colour = panels.BLUE if one["clear"] else "#BBBBBB"
        axes.barh(row, max(one["first_order_index"], 0.0), 0.62, color=colour, linewidth=0)
        told = weight_text(one) if one["clear"] else "no more than chance"
        axes.text(max(one["first_order_index"], 0.0) + 0.015, row, told, va="center", fontsize=panels.SMALL, color=panels.INK)
    axes.set_yticks(range(len(found)), [names[one["key"]] for one in found])
    axes.set_ylim(max(len(found), 2) - 0.5, -0.5)
    axes.set_xlim(0.0, 1.3)
    axes.set_xticks([0.0, 0.25, 0.5, 0.75, 1.0], ["0", "25 %", "50 %", "75 %", "100 %"])
    axes.grid(False, axis="y")
