"""The pictures of the study: which check notices which fault, and the safe states over speed."""

import math

import numpy as np

from simcore.report import pages
from simcore.report.panels import BLUE, GREEN, GREY, INK, SMALL, VERMILION, dress
from simcore.study.efficiency_map.colours import strain
from simcore.study.fault_study.safe_states import crossover_line

_STYLES = {"gates_off": (BLUE, "-"), "active_short_low": (VERMILION, (0, (5, 1.5))), "ramp_down": (GREEN, (0, (1.5, 1.2)))}


def coverage(found):
    """(FaultStudy) => matplotlib Figure: share of operating points at which a check was the first to notice a fault."""
    figure = pages.new_page()
    names = [case.name for case in found.list.cases if any(found.case(point) is case for point in found.monitored)]
    checks = sorted({check for _, check in found.coverage})
    axes = figure.add_axes((0.24, 0.24, 0.73, 0.6))
    dress(axes, "First to notice, per cent of the operating points")
    axes.grid(False)
    shares = np.array([[100.0 * found.coverage.get((name, check), 0.0) for check in checks] for name in names])
    if shares.size:
        axes.imshow(shares, cmap=strain(), vmin=0.0, vmax=170.0, aspect="auto")
        for (i, k), value in np.ndenumerate(shares):
            if value:
                axes.text(k, i, f"{value:.0f}", ha="center", va="center", fontsize=SMALL, color=INK)
    axes.set_xticks(range(len(checks)), checks, rotation=60, ha="right")
    axes.set_yticks(range(len(names)), names)
    covered, total = found.covered
    line = f"{covered} of {total} faults noticed in time everywhere; "
    line += f"{len(found.false_alarms)} false alarms in {len(found.healthy)} healthy runs"
    pages.head(figure, f"Coverage: {found.scenario.title or found.scenario.name}", [line], found.scenario.name)
    pages.foot(figure, "an empty row: no check notices it; simulation only, it certifies nothing")
    return figure


def _by_link(found):
    """=> (safe state, link voltage, its points over speed) of each line."""
    for reaction, points in found.safe.items():
        for link in sorted({point.values[3] for point in points}):
            yield reaction, link, [point for point in points if point.values[3] == link]


def safe_states(found):
    """(FaultStudy) => matplotlib Figure: torque, current, id and link voltage of each safe state over speed."""
    figure = pages.new_page()
    grid = figure.add_gridspec(2, 2, left=0.06, right=0.98, top=0.845, bottom=0.09, hspace=0.3, wspace=0.15)
    subjects = (("torque_after_Nm", "Torque that remains (Nm)"), ("peak_current_A", "Peak of the current vector (A)"),
                ("id_min_A", "Most negative d current (A)"), ("link_voltage_max_V", "Highest link voltage (V)"))  # fmt: skip
    for place, (name, title) in enumerate(subjects):
        axes = figure.add_subplot(grid[place // 2, place % 2])
        dress(axes, title)
        for reaction, link, points in _by_link(found):
            colour, dash = _STYLES.get(reaction, (GREY, "-"))
            own = found.places.own_V
            dash = dash if link == own else ((0, (6, 1.5, 1.5, 1.5)) if link < own else (0, (1, 1)))
            x, y = [p.values[1] for p in points], [getattr(p, name) for p in points]
            label = reaction.replace("_", " ") + (f", link at {link:.4g} V" if reaction == "gates_off" else "")
            axes.plot(x, y, color=colour, linestyle=dash, marker="." if link == own else "", linewidth=1.2, label=label)
        axes.set_xlabel("speed (rpm)", fontsize=SMALL, color=INK, labelpad=2)
        if place == 0:
            axes.legend(fontsize=SMALL, frameon=False)
            for speed in filter(math.isfinite, found.crossovers.values()):
                axes.axvline(speed, color=GREY, linewidth=0.8, linestyle=(0, (2, 2)))
    limit = getattr(found.scenario.machine, "demagnetisation_current_A", None)
    if limit is not None:
        figure.axes[2].axhline(-limit, color=VERMILION, linewidth=0.9, linestyle=(0, (5, 2)))
    pages.head(figure, f"Safe states over speed: {found.scenario.title or found.scenario.name}", [crossover_line(found)],
               found.scenario.name)  # fmt: skip
    foot = "entered from a tenth of the greatest torque; upright: crossover; gates off is STO, an active short circuit is not"
    pages.foot(figure, foot)
    return figure
