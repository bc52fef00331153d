"""The picture of a cycle with several gate settings: energy over time, what each saves against the first, where it is saved."""

import numpy as np

from simcore.report import pages, panels
from simcore.study.cycle.figure import cumulated, draw_line, legend
from simcore.study.cycle.tables import stage_word

_COLOURS = (panels.BLUE, panels.VERMILION, panels.GREEN, panels.PURPLE, panels.INK, "#B8860B")
_STYLES = ("-", (0, (6, 1.2)), (0, (2.5, 1)), "-.", (0, (8, 2, 1, 2)), ":")
_STAGES = ("switching", "conduction", "gate", "capacitor")
_HATCHES = ("", "///", "...", "xxx")


def draw_gates(result, driven, path):
    """(CycleResult of the scenario's own, {name: (Course, figures)}, path) => None. A PNG of 1600 x 1132 pixels."""
    pages.save_page(compose(result, driven), path)


def compose(result, driven):
    """=> matplotlib Figure."""
    figure = pages.new_page()
    grid = figure.add_gridspec(2, 2, left=0.075, right=0.965, top=0.84, bottom=0.085, hspace=0.36, wspace=0.24,
                               width_ratios=(1.25, 1))  # fmt: skip
    _energy(figure.add_subplot(grid[0, 0]), driven)
    _saved(figure.add_subplot(grid[1, 0]), driven)
    _consumption(figure.add_subplot(grid[0, 1]), driven)
    _junctions(figure.add_subplot(grid[1, 1]), driven)
    first, (_, figures) = next(iter(driven.items()))
    told = [f"{name} {one['kWh_per_100km']:.4g} kWh/100 km" for name, (_, one) in driven.items()]
    title = f"{result.scenario.title or result.scenario.name}: gate settings"
    pages.head(figure, title, [f"{result.cycle.name}   |   {'   |   '.join(told)}"], result.scenario.name)
    pages.foot(figure, f"Saved: net energy less than with {first}, which the scenario names")
    return figure


def _looks():
    return zip(_COLOURS * 3, _STYLES * 3, strict=True)


def _energy(axes, driven):
    panels.dress(axes, "Net energy of the battery (kWh)")
    for (name, (course, _)), (colour, style) in zip(driven.items(), _looks(), strict=False):
        draw_line(axes, course, cumulated(course, course.power_supply_W), color=colour, linestyle=style, label=name)
    legend(axes, 5)
    axes.set_xlim(0.0, float(course.time_s[-1] + course.length_s[-1]))


def _saved(axes, driven):
    panels.dress(axes, "Saved over time (Wh)")
    (_, (first, _)), *others = driven.items()
    base = cumulated(first, first.power_supply_W)
    looks = list(_looks())[1:]
    for (name, (course, _)), (colour, style) in zip(others, looks, strict=False):
        less = np.interp(course.time_s, first.time_s, base) - cumulated(course, course.power_supply_W)
        draw_line(axes, course, 1e3 * less, color=colour, linestyle=style, label=name)
    axes.set_xlim(0.0, float(first.time_s[-1] + first.length_s[-1]))
    if others:
        legend(axes, 5)
    else:
        panels.note(axes, "one gate setting only")
    axes.set_xlabel("time (s)", fontsize=panels.SMALL, color=panels.INK, labelpad=2)


def _consumption(axes, driven):
    panels.dress(axes, "Losses of the power stage (kWh/100 km)")
    names, bottom = list(driven), np.zeros(len(driven))
    for stage, hatch, colour in zip(_STAGES, _HATCHES, ("#0072B2", "#9CC7E3", "#D9B38C", "#888888"), strict=True):
        values = np.array([_per_100km(one, stage) for _, one in driven.values()])
        if np.any(values > 1e-4):
            axes.bar(range(len(names)), values, bottom=bottom, color=colour, hatch=hatch, edgecolor="white", width=0.6,
                     label=stage_word(stage))  # fmt: skip
            bottom += values
    for k, top in enumerate(bottom):
        axes.text(k, top, f"{top:.3f}", ha="center", va="bottom", fontsize=panels.SMALL, color=panels.INK)
    axes.set_xticks(range(len(names)), names)
    axes.set_ylim(0.0, 1.12 * max(bottom.max(), 1e-6))
    axes.grid(False, axis="x")
    legend(axes, 4, apart=True)


def _per_100km(figures, stage):
    way = figures["distance_km"]
    return figures["losses_kWh"].get(stage, 0.0) / way * 100.0 if way > 0.0 else 0.0


def _junctions(axes, driven):
    """Of each setting the range of the junction temperature, and its mean as a mark."""
    panels.dress(axes, "Junction temperature, least to greatest, and mean (degC)")
    shown = {name: course.temperatures_degC.get("junction") for name, (course, _) in driven.items()}
    if all(values is None or np.ptp(values) < 0.05 for values in shown.values()):
        panels.note(axes, "no heat is modelled")
        return
    for k, values in enumerate(shown.values()):
        axes.bar(k, np.ptp(values), bottom=values.min(), width=0.3, color="#9CC7E3")
        axes.plot(k, values.mean(), "D", color=panels.INK, markersize=5)
        axes.text(k, values.max(), f"{values.max():.1f}", ha="center", va="bottom", fontsize=panels.SMALL, color=panels.INK)
        axes.text(k + 0.2, values.mean(), f"{values.mean():.1f}", va="center", fontsize=panels.SMALL, color=panels.INK)
    axes.set_xticks(range(len(shown)), list(shown))
    axes.set_xlim(-0.6, len(shown) - 0.4)
    axes.grid(False, axis="x")
