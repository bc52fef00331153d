"""The picture of a gate plan: loss, overshoot and slope of every setting over the current, and which one the plan takes."""

import numpy as np

from simcore.report import pages
from simcore.report.panels import BLUE, GREEN, GREY, INK, SMALL, VERMILION, dress

_STYLES = ((BLUE, "-"), (VERMILION, (0, (5, 1.5))), (GREEN, (0, (1.5, 1.2))), (INK, (0, (4, 1, 1, 1))))


def compose(found):
    """(PlanFound) => matplotlib Figure."""
    figure = pages.new_page()
    grid = figure.add_gridspec(3, 1, left=0.075, right=0.98, top=0.845, bottom=0.085, hspace=0.32)
    x = found.amplitudes_A
    subjects = (
        ("Mean energy of a carrier period's edges, one leg (mJ)", found.loss_J, 1e3, None),
        ("Worst turn-off over a device (V)", found.peak_V, 1.0, found.most_V),
        ("Slope at the terminals (V/ns)", found.slope_V_per_s, 1e-9, found.most_slope_V_per_s),
    )
    for place, (title, by_setting, scale, limit) in enumerate(subjects):
        axes = figure.add_subplot(grid[place])
        dress(axes, title)
        for k, (name, values) in enumerate(by_setting.items()):
            colour, dash = _STYLES[k % len(_STYLES)]
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
        if place == 0:
            axes.legend(fontsize=SMALL, frameon=False, title="broad: taken by the plan", title_fontsize=SMALL)
    axes.set_xlabel("amplitude of the phase current (A)", fontsize=SMALL, color=INK, labelpad=2)
    told = ", then ".join(
        f"{one.use or 'none'} to {one.to_A:.4g} A" + (f" ({one.ends_by})" if one.ends_by else "") for one in found.stretches
    )
    pages.head(figure, f"Gate plan: {found.scenario.title or found.scenario.name}", [told], found.scenario.name)
    pages.foot(figure, f"at {found.link_V:g} V of link; from the settings' own tables")
    return figure
