"""The picture of a comparison: courses of old and new over each other, and beside them what changed."""

import numpy as np

from simcore.report import panels
from simcore.report.results import drybench_version
from simcore.report.wording import number

_PAGE_INCH = (11.69, 8.27)
_WIDTH_PX = 1600
_MOST_PANELS = 6
_ALARM = "#A63A00"


def draw_comparison(comparison, name, path):
    """(Comparison, scenario's name, path) => None. Writes a PNG of 1600 x 1132 pixels."""
    compose(comparison, name).savefig(path, format="png", dpi=_WIDTH_PX / _PAGE_INCH[0], metadata={"Software": None})


def compose(comparison, name):
    """(Comparison, scenario's name) => matplotlib Figure with its own canvas; nothing global is touched."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=_PAGE_INCH, facecolor="white")
    FigureCanvasAgg(figure)
    chosen = _farthest(comparison)
    grid = figure.add_gridspec(
        len(chosen), 2, left=0.07, right=0.975, top=0.855, bottom=0.09, hspace=0.55, wspace=0.14, width_ratios=(1.25, 1)
    )
    duration = max(float(comparison.course.edges_s[-1]), float(comparison.baseline.course.edges_s[-1]))
    scale, unit = (1.0, "s") if duration > 1.0 else (1e3, "ms")
    for row, signal in enumerate(chosen):
        last = row == len(chosen) - 1
        for axes, draw in ((figure.add_subplot(grid[row, 0]), _courses), (figure.add_subplot(grid[row, 1]), _change)):
            draw(axes, comparison, signal, scale)
            axes.set_xlim(0.0, duration * scale)
            axes.tick_params(labelbottom=last)
            if last:
                axes.set_xlabel(f"time ({unit})", fontsize=panels.SMALL, color=panels.INK, labelpad=2)
    _heading(figure, comparison, name)
    return figure


def _farthest(comparison):
    """Signals in both, in their order; where they do not all fit, those that moved farthest."""
    signals = [name for name in comparison.course.signals if name in comparison.baseline.course.signals]
    moves = {move.name.removeprefix("course of "): move.share for move in comparison.moves}
    kept = sorted(signals, key=lambda name: -moves.get(name, 0.0))[:_MOST_PANELS]
    return [name for name in signals if name in kept]


def _courses(axes, comparison, signal, scale):
    """Old as a band, new as the two lines of its least and greatest values."""
    old, new = comparison.baseline.course, comparison.course
    panels.dress(axes, f"{signal}, least and greatest of each stretch")
    least, greatest = (_held(column) for column in old.signals[signal].T)
    axes.fill_between(
        old.edges_s * scale, least, greatest, step="post", color="#BDBDBD", linewidth=1.6, label="baseline", zorder=1.5
    )
    for k, column in enumerate(new.signals[signal].T):
        axes.step(
            new.edges_s * scale, _held(column), where="post", color=panels.BLUE, linewidth=1.0, label="" if k else "this run"
        )
    axes.margins(y=0.12)
    legend = axes.legend(
        loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=2, fontsize=panels.SMALL, frameon=False, borderaxespad=0.1,
        labelcolor=panels.INK,
    )  # fmt: skip
    legend.set_in_layout(False)


def _change(axes, comparison, signal, scale):
    """New less old, and what is allowed."""
    old, new = comparison.baseline.course, comparison.course
    move = next((move for move in comparison.moves if move.name == f"course of {signal}"), None)
    if move is None:
        panels.dress(axes, f"{signal}, change")
        return panels.note(axes, "the stretches differ")
    unit = move.unit
    colour = panels.INK if move.within else _ALARM
    panels.dress(axes, f"change: {number(move.by, unit, 3)} at most, allowed {number(move.allowed, unit, 2)}")
    axes.title.set_color(colour)
    axes._left_title.set_color(colour)
    change = new.signals[signal] - old.signals[signal]
    axes.axhspan(-move.allowed, move.allowed, color="#DDEBDD", zorder=1)
    for column, dash in zip(change.T, ("-", (0, (4, 1.5))), strict=True):
        axes.step(new.edges_s * scale, _held(column), where="post", color=colour, linewidth=1.0, linestyle=dash)
    reach = np.nanmax(np.abs(change), initial=0.0)
    axes.set_ylim(*(side * 1.15 * max(min(reach, 1e300), move.allowed, 1e-300) for side in (-1.0, 1.0)))
    return None


def _held(column):
    return np.append(column, column[-1:])


def _heading(figure, comparison, name):
    style = {"va": "top", "parse_math": False}
    beyond = len(comparison.beyond)
    figure.text(0.02, 0.98, f"{name}: this run against its baseline", fontsize=13, color=panels.INK, **style)
    told = f"{beyond} of {len(comparison.moves)} numbers and courses moved beyond what is allowed"
    verdict = told if beyond else f"nothing moved beyond what is allowed ({len(comparison.moves)} numbers and courses)"
    figure.text(0.02, 0.945, verdict, fontsize=panels.NORMAL, color=_ALARM if beyond else panels.GREY, **style)
    changed = [f"{key}: {_brief(old)} \N{RIGHTWARDS ARROW} {_brief(new)}" for key, old, new in comparison.changed_inputs]
    listed = ",   ".join(changed[:3]) + (f",   and {len(changed) - 3} more" if len(changed) > 3 else "")
    told = f"changed in the input: {listed}" if changed else "the input is the same"
    figure.text(0.02, 0.918, told[:170], fontsize=panels.NORMAL, color=panels.GREY, **style)
    ours = f"baseline by drybench {comparison.baseline.version}, run by {drybench_version()}"
    figure.text(0.98, 0.976, ours, ha="right", fontsize=panels.NORMAL, color=panels.GREY, **style)


def _brief(value):
    text = "none" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
    return text if len(text) <= 40 else f"{text[:37]}..."
