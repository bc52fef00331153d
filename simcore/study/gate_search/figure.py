"""The picture of a gate plan: what every setting does over the current, and which one the plan takes at which link voltage."""

import numpy as np

from simcore.report import pages
from simcore.report.panels import BLUE, GREEN, GREY, INK, PURPLE, SMALL, VERMILION, dress, note

_STYLES = ((BLUE, "-"), (VERMILION, (0, (5, 1.5))), (GREEN, (0, (1.5, 1.2))), (PURPLE, (0, (4, 1, 1, 1))))
_ABSURD_K = 400.0  # a junction drawn no further above the coolant: it runs away


def compose(found):
    """(PlanFound) => matplotlib Figure."""
    figure = pages.new_page()
    grid = figure.add_gridspec(3, 2, left=0.06, right=0.98, top=0.865, bottom=0.085, hspace=0.36, wspace=0.15)
    for place, (title, by_setting, scale, limit) in enumerate((
        ("Mean energy of a carrier period's edges, one leg (mJ)", found.loss_J, 1e3, None),
        ("Worst turn-off over a device (V)", found.peak_V, 1.0, found.most_V),
        ("Slope at the terminals (V/ns)", found.slope_V_per_s, 1e-9, found.most_slope_V_per_s),
    )):  # fmt: skip
        axes = figure.add_subplot(grid[place, 0])
        dress(axes, title)
        _curves(axes, found, by_setting, scale, limit)
        if place == 0:
            axes.legend(fontsize=SMALL, frameon=False, title="broad: taken by the plan", title_fontsize=SMALL)
    _under(axes)
    _plan(figure.add_subplot(grid[:2, 1]), found)
    axes = figure.add_subplot(grid[2, 1])
    dress(axes, "Hottest junction if held for good (°C)")
    if found.steady_degC:
        top = found.scenario.inverter.heat.coolant_degC + _ABSURD_K
        shown = {name: np.minimum(values, top) for name, values in found.steady_degC.items()}
        _curves(axes, found, shown, 1.0, found.most_degC)
    else:
        note(axes, "no [inverter.heat]")
    _under(axes)
    told = f"At most {found.most_V:g} V over a device"
    if np.isfinite(found.most_slope_V_per_s):
        told += f", {found.most_slope_V_per_s * 1e-9:g} V/ns at the terminals"
    if found.most_degC is not None:
        told += f", {found.most_degC:g} °C in a junction"
    pages.head(figure, f"Gate plan: {found.scenario.title or found.scenario.name}", [told], found.scenario.name)
    edges = f"edges up to {found.ripple_A:.3g} A above the amplitude"
    pages.foot(figure, f"curves at {found.link_V:g} V of link; from the settings' own tables, {edges}")
    return figure


def _under(axes):
    axes.set_xlabel("amplitude of the phase current (A)", fontsize=SMALL, color=INK, labelpad=2)


def _curves(axes, found, by_setting, scale, limit):
    x = found.amplitudes_A
    for k, (name, values) in enumerate(by_setting.items()):
        colour, dash = _style(k)
        axes.plot(x, scale * values, color=colour, linestyle=dash, linewidth=1.2, label=name)
        taken = np.zeros(len(x), dtype=bool)
        for one in found.stretches:
            if one.use == name:
                taken |= (x >= one.from_A) & (x <= one.to_A)
        axes.plot(x[taken], scale * values[taken], color=colour, linewidth=5.0, alpha=0.3, solid_capstyle="butt")
    if limit is not None and np.isfinite(limit):
        axes.axhline(scale * limit, color=GREY, linewidth=0.9, linestyle=(0, (5, 2)))
        axes.text(x[-1], scale * limit, "limit ", ha="right", va="bottom", fontsize=SMALL, color=GREY)
    axes.set_xlim(x[0], x[-1])


def _style(k):
    return _STYLES[k % len(_STYLES)]


def _plan(axes, found):
    """Which setting is taken over amplitude and link voltage; beside each end of a stretch the limit that ends it."""
    dress(axes, "The plan: setting over current and link voltage (V)")
    axes.grid(False)
    names = list(found.loss_J)
    lowest = min((one.above_V for one in found.regions if one.above_V is not None), default=found.link_V)
    bottom = lowest - (found.link_V - lowest or 0.1 * found.link_V) / 3.0
    for region in found.regions:
        low, high = region.above_V or bottom, region.to_V
        shared = any(one.above_degC is not None and one.to_V == region.to_V for one in found.regions)
        if shared:
            middle = 0.5 * (low + high)
            low, high = (middle, high) if region.above_degC is not None else (low, middle)
        for one in region.stretches:
            _stretch(axes, one, low, high, names, region, shared)
        held = [one.junction_A for one in region.stretches if one.use is not None and one.junction_A is not None]
        if held:
            axes.plot([held[0]] * 2, [low, high], color=VERMILION, linewidth=1.0)
            axes.text(held[0], 0.5 * (low + high), " junction, for good", ha="left", va="center", fontsize=SMALL - 1,
                      color=VERMILION, rotation=90)  # fmt: skip
    axes.set_xlim(0.0, found.amplitudes_A[-1])
    axes.set_ylim(bottom, found.link_V)
    _under(axes)


def _stretch(axes, one, low, high, names, region, shared):
    colour = "#BBBBBB" if one.use is None else _style(names.index(one.use))[0]
    width, middle = one.to_A - one.from_A, 0.5 * (low + high)
    axes.barh(middle, width, high - low, left=one.from_A, color=colour, alpha=0.25, edgecolor="white", linewidth=1.5)
    said = one.use or "none keeps the limits"
    if shared:
        said += f"\nabove {region.above_degC:g} °C" if region.above_degC is not None else "\ncooler"
    axes.text(one.from_A + 0.5 * width, middle, said, ha="center", va="center", fontsize=SMALL, color=INK)
    if one.ends_by:
        axes.text(one.to_A, middle, f"{one.ends_by} ", ha="right", va="center", fontsize=SMALL - 1, color=GREY, rotation=90)
