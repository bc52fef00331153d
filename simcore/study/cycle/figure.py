"""The pictures of a cycle: how it was driven, and where the energy went."""

import numpy as np

from simcore.report import pages, panels
from simcore.report.envelope import envelope
from simcore.report.wording import number
from simcore.study.cycle.road import KWH
from simcore.study.cycle.tables import stage_word

_DASHED = {"color": panels.INK, "linewidth": 0.8, "linestyle": (0, (5, 2)), "zorder": 3}
_BENEATH = {"color": "#B9B9B9", "linewidth": 2.6, "zorder": 1.8}  # what was asked: wide, so that it shows at both sides
_LEFT, _WIDTH = 0.075, 0.885
_STILL_K = 0.05  # temperatures that move less are not drawn
_BAR = "#0072B2"


def draw_course(result, path):
    """(CycleResult, path) => None. A PNG of 1600 x 1132 pixels: speed, error, torque, power over time."""
    pages.save_page(compose_course(result), path)


def draw_energy(result, path):
    """(CycleResult, path) => None. A PNG of 1600 x 1132 pixels: energy over time, losses by stage, temperatures."""
    pages.save_page(compose_energy(result), path)


def _head(figure, result):
    main, scenario = result.main, result.scenario
    words = {"loop": "closed loop at PWM rate", "map": "losses from the table"}[result.course.mode]
    line = (
        f"{result.cycle.name}: {main['distance_km']:.3f} km   |   {main['kWh_per_100km']:.4g} kWh/100 km   |   out "
        f"{main['discharged_kWh']:.4g}, back {main['regenerated_kWh']:.4g}, net {main['net_kWh']:.4g} kWh   |   {words}"
    )
    more = [f"ended at {number(main['duration_s'], 's')}: {main['ended']}"] if main["ended"] else [scenario.machine.name]
    pages.head(figure, scenario.title or scenario.name, [line, *more], scenario.name)


def compose_course(result):
    """(CycleResult) => matplotlib Figure."""
    figure, course = pages.new_page(), result.course
    grid = figure.add_gridspec(4, 1, left=_LEFT, right=_LEFT + _WIDTH, top=0.855, bottom=0.085, hspace=0.42,
                               height_ratios=(1.5, 0.8, 1, 1))  # fmt: skip
    axes = [figure.add_subplot(grid[0])]
    axes += [figure.add_subplot(grid[k], sharex=axes[0]) for k in (1, 2, 3)]
    _speed(axes[0], course)
    _error(axes[1], course, result)
    _torque(axes[2], course, result)
    _power(axes[3], course)
    for one in axes[:-1]:
        one.tick_params(labelbottom=False)
    axes[-1].set_xlabel("time (s)", fontsize=panels.SMALL, color=panels.INK, labelpad=2)
    axes[0].set_xlim(0.0, float(course.time_s[-1] + course.length_s[-1]))
    _head(figure, result)
    foot = "shaded: the cycle is not followed" if result.main["tracking_error_kmh"]["where"] else ""
    pages.foot(figure, foot)
    return figure


def draw_line(axes, course, values, **style):
    """(axes, Course, a value a row) => None. Drawn over time, its extremes kept."""
    time_s, drawn = envelope(course.time_s, np.asarray(values, dtype=float))
    axes.plot(time_s, drawn, **{"linewidth": 1.0, **style})


def legend(axes, columns=4, apart=False):
    """(axes, columns, whether title and legend need a line each) => None. The legend above at the right."""
    if apart:
        title = axes.get_title(loc="left")
        axes.set_title(title, loc="left", fontsize=panels.NORMAL, color=panels.INK, fontweight="bold", pad=16)
    drawn = axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=columns, fontsize=panels.SMALL, frameon=False,
                        borderaxespad=0.1, labelcolor=panels.INK, handlelength=1.8, columnspacing=1.2)  # fmt: skip
    drawn.set_in_layout(False)


def _speed(axes, course):
    panels.dress(axes, "Speed (km/h)")
    draw_line(axes, course, course.speed_asked_kmh, label="asked", **_BENEATH)
    draw_line(axes, course, course.speed_kmh, color=panels.BLUE, label="driven")
    legend(axes)
    axes.set_ylim(bottom=min(-0.02 * float(course.speed_asked_kmh.max()), axes.get_ylim()[0]))


def _error(axes, course, result):
    panels.dress(axes, "Speed error, driven less asked (km/h)")
    error = course.speed_kmh - course.speed_asked_kmh
    draw_line(axes, course, error, color=panels.VERMILION)
    span = max(1.1 * float(np.abs(error).max()), 0.05)
    axes.set_ylim(-span, span)
    for one in result.main["tracking_error_kmh"]["where"]:
        axes.axvspan(one["from_s"], one["to_s"], color="#F6D9CC", linewidth=0, zorder=0.5)


def _torque(axes, course, result):
    panels.dress(axes, "Torque at the rotor (Nm)")
    arm = result.scenario.load.arm_m
    draw_line(axes, course, course.torque_asked_Nm, label="asked of the machine", **_BENEATH)
    draw_line(axes, course, course.torque_Nm, color=panels.BLUE, label="air gap", linewidth=0.8)
    if np.any(course.brake_N > 0.0):
        moved = np.where(course.brake_N > 0.0, -course.brake_N * arm, np.nan)
        draw_line(axes, course, moved, color=panels.VERMILION, label="friction brakes")
    legend(axes)


def _power(axes, course):
    panels.dress(axes, "Power (kW)")
    draw_line(axes, course, course.power_wheel_W / 1e3, label="at the wheels", **_BENEATH)
    draw_line(axes, course, course.power_supply_W / 1e3, color=panels.BLUE, label="out of the battery", linewidth=0.8)
    legend(axes)


def compose_energy(result):
    """(CycleResult) => matplotlib Figure."""
    figure, course = pages.new_page(), result.course
    moving = {name: values for name, values in course.temperatures_degC.items() if np.ptp(values) > _STILL_K}
    grid = figure.add_gridspec(2, 2, left=_LEFT, right=0.965, top=0.84, bottom=0.085, hspace=0.36, wspace=0.34,
                               width_ratios=(1.35, 1))  # fmt: skip
    _energy(figure.add_subplot(grid[0, 0]), course)
    _losses(figure.add_subplot(grid[0, 1]), result)
    below = figure.add_subplot(grid[1, 0])
    _lost(below, course)
    last = figure.add_subplot(grid[1, 1])
    if moving:
        _temperatures(last, course, moving)
    else:
        _charge(last, course)
    for axes in (below, last):
        axes.set_xlabel("time (s)", fontsize=panels.SMALL, color=panels.INK, labelpad=2)
    _head(figure, result)
    ratio = result.main["efficiency"]
    named = (("driving", "drive_driving"), ("braking", "drive_braking"), ("in all", "drive"))
    told = [f"drive {word} {100.0 * ratio[key]:.2f} %" for word, key in named if ratio[key] == ratio[key]]
    pages.foot(figure, f"Efficiencies as energy ratios: {', '.join(told)}" if told else "")
    return figure


def cumulated(course, power):
    """(Course, power of each row [W]) => energy up to the end of each row (n,) [kWh]."""
    return np.cumsum(power * course.length_s) / KWH


def _energy(axes, course):
    panels.dress(axes, "Energy of the battery (kWh)")
    power = course.power_supply_W
    draw_line(axes, course, cumulated(course, np.maximum(power, 0.0)), color=panels.VERMILION, label="discharged")
    draw_line(axes, course, cumulated(course, np.maximum(-power, 0.0)), color=panels.GREEN, label="regenerated")
    draw_line(axes, course, cumulated(course, power), color=panels.BLUE, label="net", linewidth=1.5)
    draw_line(axes, course, cumulated(course, course.losses_W["road_load"]), label="road load", **_DASHED)
    legend(axes, apart=True)
    axes.set_xlim(0.0, float(course.time_s[-1] + course.length_s[-1]))


def _shares(result):
    """=> [(words, kWh)] of what the net energy went into, the greatest last (on top)."""
    parts = {**result.main["losses_kWh"], **result.main["uses_kWh"]}
    seen = [(stage_word(name), value) for name, value in parts.items() if abs(value) > 1e-6]
    return sorted(seen, key=lambda one: one[1])


def _losses(axes, result):
    panels.dress(axes, "Where the net energy went (kWh)")
    shares = _shares(result)
    values = [value for _, value in shares]
    axes.barh(range(len(shares)), values, color=_BAR, height=0.62)
    axes.set_yticks(range(len(shares)), [word for word, _ in shares])
    axes.grid(False, axis="y")
    net, widest = result.main["net_kWh"], max(values, default=1.0)
    for k, value in enumerate(values):
        told = f"{value:.4f}" + (f"  ({100.0 * value / net:.1f} %)" if net > 0.0 else "")
        axes.text(max(value, 0.0) + 0.015 * widest, k, told, va="center", fontsize=panels.SMALL, color=panels.INK)
    axes.set_xlim(min(0.0, min(values, default=0.0)), 1.42 * widest)


def _lost(axes, course):
    panels.dress(axes, "Losses of the drive over time (Wh)")
    styles = iter(("-", (0, (6, 1.2)), (0, (2.5, 1)), "-.", ":", (0, (8, 2, 1, 2))))
    colours = iter((panels.BLUE, panels.VERMILION, panels.GREEN, panels.PURPLE, panels.INK, "#B8860B"))
    for name in ("copper", "iron", "conduction", "switching", "gate", "capacitor"):
        values = course.losses_W.get(name)
        if values is not None and np.any(values > 0.0):
            draw_line(axes, course, 1e3 * cumulated(course, values), color=next(colours), linestyle=next(styles),
                  label=stage_word(name))  # fmt: skip
    legend(axes, 6, apart=True)
    axes.set_xlim(0.0, float(course.time_s[-1] + course.length_s[-1]))


def _temperatures(axes, course, moving):
    panels.dress(axes, "Temperatures (degC)")
    colours = iter((panels.VERMILION, panels.INK, panels.BLUE, panels.GREEN, panels.PURPLE))
    for name, values in moving.items():
        draw_line(axes, course, values, color=next(colours), label=name)
    legend(axes, 5, apart=True)
    axes.set_xlim(0.0, float(course.time_s[-1] + course.length_s[-1]))


def _charge(axes, course):
    panels.dress(axes, "Link voltage (V)")
    draw_line(axes, course, course.link_voltage_V, color=panels.BLUE, linewidth=0.7)
    axes.set_xlim(0.0, float(course.time_s[-1] + course.length_s[-1]))
