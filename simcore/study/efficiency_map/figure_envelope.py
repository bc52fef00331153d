"""The picture of the envelope: greatest torque over speed with the limit that forms each stretch, and the power there."""

import numpy as np

from simcore.report import pages
from simcore.report.panels import GREY, INK, NORMAL, SMALL, dress
from simcore.report.wording import number
from simcore.study.efficiency_map.colours import LIMITS, OTHER_LIMIT
from simcore.study.efficiency_map.envelope import BEYOND
from simcore.study.efficiency_map.field import border
from simcore.study.efficiency_map.figure_efficiency import title_of
from simcore.study.efficiency_map.point import limit_text
from simcore.study.efficiency_map.tables import side_text

_LEAST_LABELLED = 0.03  # of the speed range: a shorter stretch is only in the legend


def compose(found):
    """(EfficiencyMap) => matplotlib Figure."""
    figure = pages.new_page()
    frame = {"left": 0.06, "right": 0.97, "top": 0.845, "bottom": 0.09, "hspace": 0.26}
    grid = figure.add_gridspec(2, 1, height_ratios=[1.7, 1.0], **frame)
    torque, power = figure.add_subplot(grid[0]), figure.add_subplot(grid[1])
    dress(torque, "Torque that the drive gives when asked for more (Nm)")
    dress(power, "Shaft power there (kW)")
    for stretch in found.stretches:
        x, y = _course(found, stretch)
        colour, dash = LIMITS.get(stretch.limit, OTHER_LIMIT)
        style = {"color": colour, "linestyle": dash, "linewidth": 1.8}
        torque.plot(x, y, **style)
        power.plot(x, y * x * np.pi / 30e3, **style)
        _label(torque, found, stretch, x, y)
        _changeover(torque, power, found, stretch)
    for edge in found.edges:
        torque.plot(edge.speed_rpm, edge.torque_Nm, ".", color=INK, markersize=2.5, zorder=3)
    _finish(torque, power, found)
    pages.head(figure, title_of(found, "Envelope"), [_result(found), _way(found)], found.scenario.name)
    pages.foot(figure, "dots: runs; a vertical line marks the speed at which another limit takes over")
    return figure


def _course(found, stretch):
    """Speeds and torques of a stretch (n,), its ends included."""
    speeds, torques = border(found, stretch.direction)
    inside = (speeds > stretch.from_rpm) & (speeds < stretch.to_rpm)
    x = np.array([stretch.from_rpm, *speeds[inside], stretch.to_rpm])
    return x, np.array([stretch.from_Nm, *torques[inside], stretch.to_Nm])


def _label(axes, found, stretch, x, y):
    """The limit's name at the middle of its stretch, on the inner side of the curve."""
    reach = found.edges[-1].speed_rpm - found.edges[0].speed_rpm
    if reach > 0.0 and abs(stretch.to_rpm - stretch.from_rpm) < _LEAST_LABELLED * reach:
        return
    middle = 0.5 * (stretch.from_rpm + stretch.to_rpm)
    axes.annotate(
        limit_text(stretch.limit), (middle, float(np.interp(middle, x, y))), xytext=(0, -13 * stretch.direction),
        textcoords="offset points", ha="center", va="center", fontsize=NORMAL, color=LIMITS.get(stretch.limit, OTHER_LIMIT)[0],
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.2},
    )  # fmt: skip


def _changeover(torque, power, found, stretch):
    """A thin line where a stretch ends and another begins."""
    last = max(edge.speed_rpm for edge in found.edges if edge.direction == stretch.direction)
    if stretch.to_rpm >= last:
        return
    for axes, factor in ((torque, 1.0), (power, stretch.to_rpm * np.pi / 30e3)):
        end = factor * stretch.to_Nm
        axes.plot([stretch.to_rpm] * 2, [0.0, end], color=GREY, linewidth=0.6, linestyle=(0, (2, 2)), zorder=1.5)
    torque.annotate(
        number(stretch.to_rpm, "", 4), (stretch.to_rpm, 0.0), xytext=(2, 4 * stretch.direction), textcoords="offset points",
        fontsize=SMALL, color=GREY, va="bottom" if stretch.direction > 0 else "top",
    )  # fmt: skip


def _finish(torque, power, found):
    for axes in (torque, power):
        axes.axhline(0.0, color=GREY, linewidth=0.6, zorder=1.6)
        axes.margins(x=0.01, y=0.08)
    power.set_xlabel("speed (rpm)", fontsize=SMALL, color=INK, labelpad=2)
    torque.sharex(power)


def _result(found):
    parts = []
    for direction in (1, -1):
        mine = [edge for edge in found.edges if edge.direction == direction]
        if mine:
            torque = max(mine, key=lambda edge: abs(edge.torque_Nm))
            power = max(mine, key=lambda edge: abs(edge.torque_Nm * edge.speed_rpm))
            kW = power.torque_Nm * power.speed_rpm * np.pi / 30e3
            parts.append(f"{side_text(direction)} up to {torque.torque_Nm:.4g} Nm, {kW:.4g} kW at {power.speed_rpm:.5g} rpm")
    return "; ".join(parts)


def _way(found):
    return f"closed-loop runs that ask for {BEYOND:g} times the torque of the current limit; as told by the controller"
