"""The picture of efficiencies: the whole drive, the inverter and the machine over torque and speed."""

from simcore.report import pages
from simcore.report.panels import INK, SMALL, VERMILION
from simcore.report.wording import number
from simcore.study.efficiency_map.efficiency import STAGES
from simcore.study.efficiency_map.files import best_of
from simcore.study.efficiency_map.panel import filled, percent_levels

_TITLES = {
    "efficiency_drive": "Drive: shaft over link (%)", "efficiency_inverter": "Inverter: terminals over link (%)",
    "efficiency_machine": "Machine: shaft over terminals (%)",
}  # fmt: skip


def compose(field):
    """(Field) => matplotlib Figure."""
    found, figure = field.map, pages.new_page()
    frame = {"left": 0.055, "right": 0.985, "top": 0.845, "bottom": 0.1, "hspace": 0.34, "wspace": 0.2}
    grid = figure.add_gridspec(2, 2, width_ratios=[1.55, 1.0], **frame)
    places = {"efficiency_drive": grid[:, 0], "efficiency_inverter": grid[0, 1], "efficiency_machine": grid[1, 1]}
    for name, place in places.items():
        axes = figure.add_subplot(place)
        percent = 100.0 * field(name)
        most = 11 if name == "efficiency_drive" else 8
        best = best_of(found, name)
        avoid = [(best["speed_rpm"], best["torque_Nm"])] if best else []
        filled(axes, field, percent, percent_levels(percent, most), _TITLES[name], reverse=True, avoid=avoid)
        _mark(axes, best)
    pages.head(figure, title_of(found, "Efficiency"), [_result(found), _way(found)], found.scenario.name)
    pages.foot(figure, "dots: runs; between them losses are interpolated; blank: out of reach, or next to no power")
    return figure


def title_of(found, what):
    """(EfficiencyMap, subject) => heading of a page."""
    return f"{what}: {found.scenario.title or found.scenario.name}"


def _result(found):
    parts = []
    for name in STAGES:
        if best := best_of(found, name):
            parts.append(f"{name.removeprefix('efficiency_')} {100.0 * best['efficiency']:.2f} %")
    return f"best: {', '.join(parts)}" if parts else "no point has an efficiency"


def _way(found):
    model = "exact switching edges" if found.switched else "mean voltages"
    counts = f"{len(found.measured)} of {len(found.points)} points measured"
    link = number(found.job.scenario.supply.voltage_V, "V", 4)
    return f"{counts} in closed loop to steady state, {model}, {link}; generating: electrical over shaft power"


def _mark(axes, best):
    """A cross at the best place with its value."""
    if best is None:
        return
    x, y = best["speed_rpm"], best["torque_Nm"]
    axes.plot(x, y, "+", color=VERMILION, markersize=8, markeredgewidth=1.5, zorder=4)
    right = x > sum(axes.get_xlim()) / 2.0
    axes.annotate(
        f"{100.0 * best['efficiency']:.2f}", (x, y), xytext=(-5 if right else 5, 5), textcoords="offset points",
        ha="right" if right else "left", fontsize=SMALL, color=INK, zorder=4,
        bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 1.0},
    )  # fmt: skip
