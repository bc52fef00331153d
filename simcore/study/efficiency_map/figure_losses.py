"""The picture of losses: all of them together, then each that the drive has."""

import math

import numpy as np

from simcore.report import pages
from simcore.study.efficiency_map.columns import LOSSES
from simcore.study.efficiency_map.figure_efficiency import title_of
from simcore.study.efficiency_map.panel import even_levels, filled

_LEAST_SHARE = 1e-6  # of the greatest loss: less is none


def compose(field):
    """(Field) => matplotlib Figure."""
    found, figure = field.map, pages.new_page()
    losses = {name: field(name) for name in present(found)}
    total = sum(losses.values()) if losses else np.full((len(field.torque_Nm), len(field.speed_rpm)), np.nan)
    panels = [("All losses", total), *((LOSSES[name].capitalize(), values) for name, values in losses.items())]
    across = 1 if len(panels) == 1 else 2 if len(panels) <= 4 else 3 if len(panels) <= 6 else 4
    down = math.ceil(len(panels) / across)
    frame = {"left": 0.055, "right": 0.985, "top": 0.845, "bottom": 0.1, "hspace": 0.36, "wspace": 0.24}
    grid = figure.add_gridspec(down, across, **frame)
    for place, (title, values) in enumerate(panels):
        axes = figure.add_subplot(grid[place // across, place % across])
        unit, factor = ("kW", 1e-3) if np.nanmax(np.abs(values), initial=0.0) >= 2000.0 else ("W", 1.0)
        filled(axes, field, factor * values, even_levels(factor * values, 9 if across < 4 else 6), f"{title} ({unit})")
    pages.head(figure, title_of(found, "Losses"), [_result(found, losses), _none(losses)], found.scenario.name)
    pages.foot(figure, "dots: runs; between them losses are interpolated; blank: out of reach")
    return figure


def present(found):
    """(EfficiencyMap) => names of the losses that the drive has anywhere."""
    greatest = {name: max((abs(getattr(p, name)) for p in found.measured), default=0.0) for name in LOSSES}
    most = max(greatest.values(), default=0.0)
    return [name for name, value in greatest.items() if value > max(_LEAST_SHARE * most, 1e-9)]


def _result(found, losses):
    """Where most is lost, and by what."""
    points = found.measured
    if not points or not losses:
        return "nothing is lost anywhere"
    worst = max(points, key=lambda p: sum(getattr(p, name) for name in losses))
    parts = ", ".join(f"{LOSSES[name]} {getattr(worst, name):.4g} W" for name in losses)
    return f"most at {worst.speed_rpm:.5g} rpm, {worst.torque_Nm:.4g} Nm: {parts}"


def _none(losses):
    missing = [words for name, words in LOSSES.items() if name not in losses]
    return f"none in this drive: {', '.join(missing)}" if missing else ""
