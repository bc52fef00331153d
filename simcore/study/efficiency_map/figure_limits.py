"""The picture of limits: volts in hand, and which limit bound at each point."""

import numpy as np

from simcore.report import pages
from simcore.report.panels import SMALL
from simcore.study.efficiency_map.colours import LIMITS, OTHER_LIMIT
from simcore.study.efficiency_map.columns import OUT_OF_REACH
from simcore.study.efficiency_map.figure_efficiency import title_of
from simcore.study.efficiency_map.files import limit_counts, limit_name
from simcore.study.efficiency_map.panel import even_levels, filled, frame, outline
from simcore.study.efficiency_map.point import limit_text

_MARKERS = {"current": "s", "voltage": "o", "voltage_and_current": "^", "mtpv": "D", "temperature": "P"}


def compose(field):
    """(Field) => matplotlib Figure."""
    found, figure = field.map, pages.new_page()
    grid = figure.add_gridspec(1, 2, left=0.055, right=0.985, top=0.845, bottom=0.1, wspace=0.18)
    margin = figure.add_subplot(grid[0])
    values = field("voltage_margin_V")
    filled(margin, field, values, even_levels(values, 10), "Voltage margin (V)", reverse=True)
    limits = figure.add_subplot(grid[1], sharey=margin)
    _limits(limits, field, found)
    counts = ", ".join(f"{name} {count}" for name, count in limit_counts(found).items())
    told = f"out of reach, by limit: {counts}" if counts else "every point was reached"
    pages.head(figure, title_of(found, "Limits"), [told, _least(found)], found.scenario.name)
    pages.foot(figure, "filled: reached with that limit in force; hollow: out of reach by it; dot: nothing bound")
    return figure


def _limits(axes, field, found):
    """A mark a point, by the limit that bound there."""
    frame(axes, field, "Limit that binds")
    names = [limit_name(found, p.binding_limit) for p in found.points]
    size = float(np.clip(220.0 / max(len(found.grid.speeds_rpm), len(found.grid.torques_Nm), 1), 2.0, 7.0))
    for name in dict.fromkeys(one for one in names if one):
        colour, _ = LIMITS.get(name, OTHER_LIMIT)
        mine = [p for p, one in zip(found.points, names, strict=True) if one == name]
        for hollow in (False, True):
            chosen = [p for p in mine if (p.status == OUT_OF_REACH) == hollow]
            plain = name == "none" and not hollow
            axes.plot(
                [p.speed_rpm for p in chosen], [p.torque_Nm for p in chosen], linestyle="none",
                marker="." if plain else _MARKERS.get(name, "v"), markersize=0.45 * size if plain else size,
                color="#9A9A9A" if plain else colour, markerfacecolor="none" if hollow else None, markeredgewidth=0.8,
                clip_on=False,
            )  # fmt: skip
        marker, words = (".", "none") if name == "none" else (_MARKERS.get(name, "v"), limit_text(name))
        axes.plot([], [], linestyle="none", marker=marker, color=colour, label=words)
    outline(axes, found, labelled=False)
    place = {"loc": "lower right", "bbox_to_anchor": (1.0, 0.995)}
    axes.legend(fontsize=SMALL, frameon=False, ncols=6, handletextpad=0.1, columnspacing=1.2, **place)


def _least(found):
    points = [p for p in found.measured if np.isfinite(p.voltage_margin_V)]
    if not points:
        return "no voltage margin is told by this controller"
    least = min(points, key=lambda p: p.voltage_margin_V)
    return f"least mean voltage margin {least.voltage_margin_V:.4g} V at {least.speed_rpm:.5g} rpm, {least.torque_Nm:.4g} Nm"
