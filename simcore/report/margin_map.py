"""The picture of the phase margin over the operating range: a panel a link voltage, the worst place marked."""

import os
from pathlib import Path

import numpy as np

from simcore.report.panels import GREY, INK, NORMAL, SMALL, VERMILION, dress
from simcore.report.results import drybench_version
from simcore.report.wording import number

_WIDTH_PX = 1600
_WIDTH_INCH, _HEIGHT_INCH = 11.69, 5.2
_MOST_PANELS = 4


def draw_margin_map(response, path):
    """(Response of study.response with its survey, path) => None. Writes a PNG, whole or not at all."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    survey = response.survey
    figure = Figure(figsize=(_WIDTH_INCH, _HEIGHT_INCH), facecolor="white")
    FigureCanvasAgg(figure)
    links = survey.figures["link_voltage_V"][:, 0, 0]
    shown = np.unique(np.linspace(0, len(links) - 1, min(len(links), _MOST_PANELS)).round().astype(int))
    frame = {"left": 0.06, "right": 0.93, "top": 0.79, "bottom": 0.11}
    grid = figure.add_gridspec(1, len(shown) + 1, width_ratios=[1.0] * len(shown) + [0.04], **frame)
    margins = survey.figures["phase_margin_deg"]
    levels = _levels(float(np.nanmin(margins)), float(np.nanmax(margins)))
    axes = None
    for column, number_of_link in enumerate(shown):
        axes = figure.add_subplot(grid[0, column], sharey=axes)
        filled = _panel(axes, survey, int(number_of_link), levels)
        axes.tick_params(labelleft=column == 0)
    scale = figure.colorbar(filled, cax=figure.add_subplot(grid[0, len(shown)]))
    scale.ax.tick_params(labelsize=SMALL, colors=INK)
    scale.set_label("phase margin (deg)", fontsize=SMALL, color=INK)
    _heading(figure, response)
    path = Path(path)
    partial = path.with_name(f".{path.name}.partial-{os.getpid()}")
    try:
        figure.savefig(partial, format="png", dpi=_WIDTH_PX / _WIDTH_INCH, metadata={"Software": None})
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)


def _levels(low, high):
    """Round levels between the least and the greatest margin, some ten of them."""
    step = next(s for s in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0) if (high - low) / s <= 12.0)
    first, last = step * np.floor(low / step), step * np.ceil(high / step)
    return np.arange(first, max(last, first + step) + 0.5 * step, step)


def _panel(axes, survey, link, levels):
    figures = {name: values[link] for name, values in survey.figures.items()}
    speed, torque, margin = figures["speed_rpm"], figures["torque_Nm"], figures["phase_margin_deg"]
    dress(axes, f"Torque (Nm), link {number(float(figures['link_voltage_V'][0, 0]), 'V', 4)}")
    margin = np.ma.masked_invalid(margin)
    filled = axes.contourf(speed, torque, margin, levels=levels, cmap="cividis")
    lines = axes.contour(speed, torque, margin, levels=levels, colors="white", linewidths=0.6)
    axes.clabel(lines, fontsize=SMALL, fmt="%g")
    axes.plot(speed.ravel(), torque.ravel(), ".", color="white", markersize=1.2, alpha=0.6)
    axes.set_xlabel("speed (rpm)", fontsize=SMALL, color=INK, labelpad=2)
    worst = survey.worst
    if worst["link_voltage_V"] == float(figures["link_voltage_V"][0, 0]):
        axes.plot(
            worst["speed_rpm"], worst["torque_Nm"], "X", color=VERMILION, markersize=10, markeredgecolor="white", clip_on=False
        )
        right = worst["speed_rpm"] > 0.5 * (speed.min() + speed.max())
        axes.annotate(
            f"worst: {number(worst['phase_margin_deg'], 'deg', 3)}", (worst["speed_rpm"], worst["torque_Nm"]),
            xytext=(-10 if right else 10, 12), textcoords="offset points", ha="right" if right else "left", fontsize=NORMAL,
            color=INK, bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.5},
        )  # fmt: skip
    return filled


def _heading(figure, response):
    scenario, worst = response.scenario, response.survey.worst
    title = " ".join(f"Phase margin of the current loop: {scenario.title or scenario.name}".split())[:110]
    figure.text(0.02, 0.965, title, fontsize=13, color=INK, va="top", parse_math=False)
    words = (
        f"worst: {number(worst['speed_rpm'], 'rpm', 4)}, {number(worst['torque_Nm'], 'Nm', 3)}, link "
        f"{number(worst['link_voltage_V'], 'V', 4)}, cut {worst['broken_at']}"
    )
    figure.text(0.02, 0.905, words, fontsize=NORMAL, color=GREY, va="top", parse_math=False)
    figure.text(0.98, 0.015, f"drybench {drybench_version()}", fontsize=NORMAL, color=GREY, ha="right", va="bottom")
