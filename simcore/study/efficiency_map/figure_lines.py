"""The picture of a map with one speed or one torque: efficiencies and losses as lines."""

import numpy as np

from simcore.report import pages
from simcore.report.panels import BLUE, GREEN, INK, SMALL, VERMILION, dress
from simcore.study.efficiency_map.columns import LOSSES
from simcore.study.efficiency_map.efficiency import STAGES
from simcore.study.efficiency_map.field import asked_axes
from simcore.study.efficiency_map.figure_efficiency import title_of
from simcore.study.efficiency_map.figure_losses import present

_STYLES = ((BLUE, "-"), (VERMILION, (0, (5, 1.5))), (GREEN, (0, (1.5, 1.2))), (INK, (0, (4, 1, 1, 1))))


def compose(found):
    """(EfficiencyMap of one speed or one torque) => matplotlib Figure."""
    figure = pages.new_page()
    grid = figure.add_gridspec(1, 2, left=0.06, right=0.98, top=0.845, bottom=0.1, wspace=0.18)
    speeds, torques = asked_axes(found)
    over_speed = len(speeds) > 1
    points = found.points
    x = np.array([p.speed_rpm if over_speed else p.torque_Nm for p in points])
    efficiencies = {name.removeprefix("efficiency_"): [100.0 * found.efficiency_of(p, name) for p in points] for name in STAGES}
    losses = {LOSSES[name]: [p.told(name) for p in points] for name in present(found)}
    for place, (title, lines) in enumerate((("Efficiency (%)", efficiencies), ("Losses (W)", losses))):
        axes = figure.add_subplot(grid[place])
        dress(axes, title)
        for k, (label, y) in enumerate(lines.items()):
            colour, dash = _STYLES[k % len(_STYLES)]
            axes.plot(x, y, color=colour, linestyle=dash, marker="." if k < len(_STYLES) else "x", linewidth=1.2, label=label)
        axes.set_xlabel("speed (rpm)" if over_speed else "torque (Nm)", fontsize=SMALL, color=INK, labelpad=2)
        if lines:
            axes.legend(fontsize=SMALL, frameon=False)
    fixed = f"{torques[0]:g} Nm" if over_speed else f"{speeds[0]:g} rpm"
    pages.head(figure, title_of(found, "Efficiency and losses"), [f"at {fixed}"], found.scenario.name)
    pages.foot(figure, "points: closed-loop runs to steady state; gaps: out of reach, or next to no power")
    return figure
