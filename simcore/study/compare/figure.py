"""The picture of a comparison: differences over torque and speed, or both variants' numbers side by side."""

import numpy as np

from simcore.report import pages
from simcore.report.panels import BLUE, GREY, INK, SMALL, VERMILION, dress
from simcore.study.compare.result import rated_V
from simcore.study.efficiency_map.colours import strain
from simcore.study.efficiency_map.panel import even_levels

# column, title, scale, whether the second's own value is shown instead of the difference
_PANELS = (
    ("efficiency_drive", "Drive efficiency, second less first (percentage points)", 100.0, False),
    ("loss_switching_W", "Switching loss, second less first (W)", 1.0, False),
    ("peak_voltage_V", "Turn-off peak over a device, second (V)", 1.0, True),
    ("dv_dt_V_per_s", "Slope at the terminals, second (V/ns)", 1e-9, True),
    ("junction_degC", "Hottest junction, second less first (K)", 1.0, False),
)


def compose(found):
    """(Comparison) => matplotlib Figure, or None where there is nothing to draw."""
    if found.by == "map":
        return _maps(found) if len(found.speeds_rpm) > 1 and len(found.torques_Nm) > 1 else None
    return _bars(found)


def _maps(found):
    figure = pages.new_page()
    shown = [(name, *rest) for name, *rest in _PANELS if np.isfinite(found.difference(name)).sum() > 3][:4]
    grid = figure.add_gridspec(2, 2, left=0.055, right=0.985, top=0.845, bottom=0.1, hspace=0.34, wspace=0.16)
    for place, (name, title, scale, own) in enumerate(shown):
        axes = figure.add_subplot(grid[place // 2, place % 2])
        values = scale * (found.grids[name][1] if own else found.difference(name))
        _panel(axes, found, values, title, reverse=name.startswith("efficiency"))
        if name == "peak_voltage_V":
            _limit(axes, found, values, rated_V(found.parts[1].scenario))
    pages.head(figure, f"{found.names[1]} against {found.names[0]}: {found.scenario.title or found.scenario.name}",
               [_why(found), found.told[0]], found.scenario.name)  # fmt: skip
    pages.foot(figure, "each point two closed-loop runs to steady state; blank: out of reach, or next to no power")
    return figure


def _why(found):
    """The sentence that forbids a variant, where there is one, else the gain."""
    row = found.row("mean efficiency over the points, drive")
    mean = f"drive efficiency, mean over the points: {row.first:.3f} and {row.second:.3f} % ({row.less:+.3f})"
    return next((sentence for sentence in found.told if "must not be used" in sentence), mean)


def _panel(axes, found, values, title, reverse):
    dress(axes, title)
    axes.grid(False)
    speeds, torques = np.meshgrid(found.speeds_rpm, found.torques_Nm, indexing="ij")
    levels = even_levels(values, 8)
    shown = np.ma.masked_invalid(values)
    if len(levels) > 1:
        ends = [float(np.nanmin(values)) - 1e-9, *levels, float(np.nanmax(values)) + 1e-9]
        colours = [strain(reverse)(0.04 + 0.6 * k / len(levels)) for k in range(len(levels) + 1)]
        axes.contourf(speeds, torques, shown, levels=ends, colors=colours if not reverse else colours[::-1])
        lines = axes.contour(speeds, torques, shown, levels=levels, colors=INK, linewidths=0.5)
        axes.clabel(lines, fontsize=SMALL, fmt="%g", inline_spacing=2)
    else:
        axes.text(0.5, 0.5, f"everywhere {float(np.nanmean(values)):.4g}", transform=axes.transAxes, ha="center", color=GREY)
    known = np.isfinite(values)
    axes.plot(speeds[known], torques[known], ".", color=GREY, markersize=1.0)
    axes.set_xlabel("speed (rpm)", fontsize=SMALL, color=INK, labelpad=2)
    axes.set_ylabel("torque (Nm)", fontsize=SMALL, color=INK, labelpad=2)


def _limit(axes, found, peak_V, rated):
    """Where the rating is passed: hatched, this variant must not be used there."""
    if not np.isfinite(rated) or not (peak_V > rated).any():
        return
    speeds, torques = np.meshgrid(found.speeds_rpm, found.torques_Nm, indexing="ij")
    axes.contourf(speeds, torques, np.ma.masked_invalid(peak_V), levels=[rated, 1e9], colors="none", hatches=["////"])
    axes.contour(speeds, torques, np.ma.masked_invalid(peak_V), levels=[rated], colors=VERMILION, linewidths=1.4)
    axes.text(0.5, 0.5, f"hatched: above the devices' {rated:g} V", transform=axes.transAxes, ha="center", fontsize=SMALL,
              color=VERMILION, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5})  # fmt: skip


def _bars(found):
    """Losses of both variants side by side."""
    rows = [row for row in found.rows if row.what.startswith("loss ")]
    if not rows:
        return None
    figure = pages.new_page()
    axes = figure.add_axes((0.2, 0.1, 0.75, 0.72))
    unit = rows[0].unit
    dress(axes, f"Losses ({unit})")
    places = np.arange(len(rows))
    axes.barh(places - 0.19, [row.first for row in rows], 0.36, color=BLUE, label=found.names[0])
    axes.barh(places + 0.19, [row.second for row in rows], 0.36, color=VERMILION, hatch="///", edgecolor="white",
              label=found.names[1])  # fmt: skip
    axes.set_yticks(places, [row.what.removeprefix("loss ") for row in rows])
    axes.invert_yaxis()
    axes.legend(fontsize=SMALL, frameon=False)
    pages.head(figure, f"{found.names[1]} against {found.names[0]}: {found.scenario.title or found.scenario.name}",
               [_headline(found)], found.scenario.name)  # fmt: skip
    pages.foot(figure, f"by {found.by}")
    return figure


def _headline(found):
    first = found.rows[0]
    return f"{first.what}: {first.first:.6g} and {first.second:.6g} {first.unit} ({first.less:+.4g} {first.unit})"
