"""One panel of a map: filled contours with labels, the envelope on top, a dot for each point that was measured."""

import numpy as np
from matplotlib.colors import to_rgb
from matplotlib.path import Path

from simcore.report.panels import GREY, INK, NORMAL, SMALL, VERMILION, dress
from simcore.study.efficiency_map.colours import INK_ON_DARK, INK_ON_LIGHT, LIMITS, OTHER_LIMIT, lightness, strain
from simcore.study.efficiency_map.columns import FAILED, UNSTEADY
from simcore.study.efficiency_map.field import border, outline_of

_PERCENTS = (
    10, 20, 30, 40, 50, 60, 70, 75, 80, 84, 86, 88, 90, 91, 92, 93, 94, 95, 95.5, 96, 96.5, 97, 97.5, 98, 98.2, 98.4, 98.6,
    98.8, 99, 99.1, 99.2, 99.3, 99.4, 99.5, 99.6, 99.7, 99.8, 99.9, 99.95,
)  # fmt: skip
_MOST_DOTS = 2000
# Pixels of the figure: length of a line that gets a label, room wanted around it and the least.
_LEAST_LABELLED, _ROOM, _LEAST_ROOM = 60.0, 45.0, 12.0


def percent_levels(percent, most=10):
    """(efficiencies [%] of a picture, any shape) => round levels, each holding its share of the area, at most `most`."""
    known = np.sort(percent[np.isfinite(percent)])
    if not len(known):
        return ()
    chosen = []
    for level in _PERCENTS:
        below = np.searchsorted(known, level) / len(known)
        last = np.searchsorted(known, chosen[-1]) / len(known) if chosen else 0.0
        if below < 0.995 and below - last >= (0.02 if not chosen else 0.85 / most):
            chosen.append(level)
    return tuple(chosen)


def even_levels(values, most=9):
    """(values) => round levels evenly spaced, inside their range."""
    from matplotlib.ticker import MaxNLocator

    known = values[np.isfinite(values)]
    if not len(known) or np.ptp(known) <= 1e-9 * max(float(np.max(np.abs(known))), 1e-9):
        return ()
    low, high = float(np.min(known)), float(np.max(known))
    levels = MaxNLocator(most).tick_values(low, high)
    return tuple(level for level in levels if low < level < high)


def filled(axes, field, values, levels, title, *, reverse=False, avoid=()):
    """Draw one subject.  values (UP, ACROSS) of field; levels in their unit; reverse: dark is low; avoid: places (rpm, Nm) that
    the labels leave free."""
    frame(axes, field, title)
    if len(levels):
        known, colours = values[np.isfinite(values)], _steps(len(levels) + 1, reverse)
        ends = [min(known.min(), levels[0]) - 1.0, *levels, max(known.max(), levels[-1]) + 1.0]
        cut = Path(outline_of(field.map, field), closed=False)
        fill = axes.contourf(field.speed_rpm, field.torque_Nm, values, levels=ends, colors=colours)
        fill.set_clip_path(cut, axes.transData)
        _lines(axes, field, values, levels, colours, avoid).set_clip_path(cut, axes.transData)
    else:
        _even(axes, values)
    outline(axes, field.map, labelled=False)
    dots(axes, field.map)


def _even(axes, values):
    known = values[np.isfinite(values)]
    text = f"everywhere {float(np.mean(known)):.5g}" if len(known) else "no value"
    axes.text(0.5, 0.6, text, transform=axes.transAxes, ha="center", fontsize=NORMAL, color=GREY)


def _steps(count, reverse):
    colours = strain(reverse)
    return [colours(0.04 + 0.92 * k / max(count - 1, 1)) for k in range(count)]


def _lines(axes, field, values, levels, colours, avoid):
    """Contour lines with their value, light on dark ground and dark on light."""
    from matplotlib.patheffects import withStroke

    dark = [lightness(one) < 58.0 for one in colours]
    inks = [INK_ON_DARK if a and b else INK_ON_LIGHT for a, b in zip(dark, dark[1:], strict=False)]
    lines = axes.contour(field.speed_rpm, field.torque_Nm, values, levels=levels, colors=inks, linewidths=0.55)
    places = label_places(axes, lines, np.isfinite(values), avoid)
    for text in axes.clabel(lines, fontsize=SMALL, fmt="%g", inline=True, inline_spacing=2, manual=places) if places else ():
        light = lightness(to_rgb(text.get_color())) > 50.0
        text.set_path_effects([withStroke(linewidth=1.5, foreground="#4F2756" if light else "#FFFFFFA0")])
    return lines


def label_places(axes, lines, inside, avoid=()):
    """(axes, contour lines, where there are values (UP, ACROSS), places to leave free) => a place for the label of each line
    that is long enough, away from the border and from each other."""
    from scipy.ndimage import distance_transform_edt

    to_border = distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1] / inside.shape[0]
    width, height = axes.get_window_extent().size
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    (a, b), (c, d) = axes.dataLim.intervalx, axes.dataLim.intervaly
    taken = [(np.array(one) - (x0, y0)) / (x1 - x0, y1 - y0) * (width, height) for one in avoid]
    places = []
    for path in lines.get_paths():
        for line in path.to_polygons(closed_only=False):
            at = (line - (x0, y0)) / (x1 - x0, y1 - y0) * (width, height)
            if np.hypot(*np.diff(at, axis=0).T).sum() < _LEAST_LABELLED:
                continue
            rows = np.clip((line[:, 1] - c) / (d - c) * (inside.shape[0] - 1), 0, inside.shape[0] - 1).astype(int)
            columns = np.clip((line[:, 0] - a) / (b - a) * (inside.shape[1] - 1), 0, inside.shape[1] - 1).astype(int)
            room = np.minimum(to_border[rows, columns] * height, _ROOM)
            for other in taken:
                room = np.minimum(room, np.hypot(*(at - other).T))
            best = int(np.argmax(room))
            if room[best] > _LEAST_ROOM:
                taken.append(at[best])
                places.append(tuple(line[best]))
    return places


def frame(axes, field, title):
    """Axes, title and the range of a map."""
    dress(axes, title)
    axes.grid(False)
    axes.set_xlabel("speed (rpm)", fontsize=SMALL, color=INK, labelpad=2)
    axes.set_ylabel("torque (Nm)", fontsize=SMALL, color=INK, labelpad=2)
    low, high = field.torque_Nm[0], field.torque_Nm[-1]
    room = 0.03 * (high - low)
    axes.set_ylim(low - room, high + room)
    span = field.speed_rpm[-1] - field.speed_rpm[0]
    axes.set_xlim(field.speed_rpm[0] - 0.01 * span, field.speed_rpm[-1] + 0.01 * span)
    if low < 0.0 < high:
        axes.axhline(0.0, color=GREY, linewidth=0.5, zorder=2.1)
    if axes.get_xlim()[0] < 0.0 < axes.get_xlim()[1]:
        axes.axvline(0.0, color=GREY, linewidth=0.5, zorder=2.1)


def outline(axes, found, labelled):
    """The envelope, each stretch with the line of its limit (labelled: with a legend entry a limit)."""
    seen = set()
    for stretch in found.stretches:
        speeds, torques = border(found, stretch.direction)
        inside = (speeds > stretch.from_rpm) & (speeds < stretch.to_rpm)
        x = [stretch.from_rpm, *speeds[inside], stretch.to_rpm]
        y = [stretch.from_Nm, *torques[inside], stretch.to_Nm]
        colour, dash = LIMITS.get(stretch.limit, OTHER_LIMIT) if labelled else (INK, "-")
        label = stretch.limit if labelled and stretch.limit not in seen else None
        seen.add(stretch.limit)
        axes.plot(x, y, color=colour, linestyle=dash, linewidth=1.6 if labelled else 1.1, label=label, zorder=3)


def dots(axes, found):
    """Where was measured; what did not become steady or broke off, crossed."""
    points = found.measured
    if len(points) <= _MOST_DOTS:
        x, y = [p.speed_rpm for p in points], [p.torque_reached_Nm for p in points]
        axes.plot(x, y, ".", color=GREY, markersize=0.9, zorder=2.2)
    wrong = found.of_status(UNSTEADY, FAILED)
    axes.plot([p.speed_rpm for p in wrong], [p.torque_Nm for p in wrong], "x", color=VERMILION, markersize=4.5, zorder=3.2)
