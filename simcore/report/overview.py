"""The overview picture of a run: one landscape page, read from the command down to the limit that bound."""

import os
import textwrap
import warnings
from pathlib import Path

from simcore.measure.audit import audit_verdict
from simcore.measure.expectations import judge
from simcore.measure.limits import binding_shares, lowest_voltage_margin
from simcore.measure.windows import end_s
from simcore.report import panels
from simcore.report.moments import close_look
from simcore.report.results import drybench_version, scenario_name
from simcore.report.wording import limit_text, measure_text, measured_unit, number, window_text

_PAGE_INCH = (11.69, 8.27)
_WIDTH_PX = 1600
_LISTED = 7
_SHADE = {"facecolor": "#F0E6C8", "edgecolor": "#E3D3A0", "linewidth": 0.8, "zorder": 0}


def draw_overview(recording, path, *, expectations=None):
    """(recording, path, verdicts) => None. Writes a PNG of 1600 x 1132 pixels (A4 landscape), whole or not at all.

    Without verdicts the scenario's own expectations are judged. Signals that are missing or not finite leave gaps.
    """
    if len(recording.time_s) == 0:
        raise ValueError("The recording has no rows: there is nothing to draw.")
    if expectations is None:
        expectations = judge(recording, getattr(getattr(recording, "scenario", None), "expect", None) or ())
    path = Path(path)
    partial = path.with_name(f".{path.name}.partial-{os.getpid()}")
    try:
        with warnings.catch_warnings():
            # A title may use letters that the built-in font lacks: they show as boxes, the terminal stays quiet.
            warnings.filterwarnings("ignore", message="Glyph")
            compose(recording, expectations).savefig(
                partial, format="png", dpi=_WIDTH_PX / _PAGE_INCH[0], metadata={"Software": None}
            )
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)


def compose(recording, expectations):
    """(recording, verdicts) => matplotlib Figure with its own canvas; nothing global is touched."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=_PAGE_INCH, facecolor="white")
    FigureCanvasAgg(figure)
    frame = {"top": 0.885, "bottom": 0.09}
    heights = (3.2, 3.2, 2, 1.6, max(0.9, 0.4 * len(binding_shares(recording))))
    left = figure.add_gridspec(5, 1, left=0.1, right=0.61, height_ratios=heights, hspace=0.42, **frame)
    right = figure.add_gridspec(3, 1, left=0.66, right=0.985, height_ratios=(3.6, 2.4, 3.2), hspace=0.42, **frame)
    _over_time(figure, left, right, recording)
    _verdicts(figure.add_subplot(right[2]), expectations)
    _heading(figure, recording)
    _footer(figure, recording, expectations)
    return figure


def _over_time(figure, left, right, recording):
    """Panels over the whole run share their time; the close look is shaded in them."""
    duration = end_s(recording) - float(recording.time_s[0])
    scale, unit = (1.0, "s") if duration > 1.0 else (1e3, "ms")
    look = close_look(recording)
    drawn = (panels.torque, panels.currents, panels.speed, panels.link_voltage, panels.limits)
    column = []
    for place, draw in enumerate(drawn):
        axes = figure.add_subplot(left[place], sharex=column[0] if column else None)
        draw(axes, recording, scale)
        axes.tick_params(labelbottom=draw is drawn[-1])
        column.append(axes)
    panels.phase_currents(figure.add_subplot(right[0]), recording, look)
    error = figure.add_subplot(right[1])
    panels.angle_error(error, recording, scale)
    for axes in (*column, error):
        axes.axvspan(look[0] * scale, look[1] * scale, **_SHADE)
        axes.set_xlim(float(recording.time_s[0]) * scale, end_s(recording) * scale)
    for axes in (column[-1], error):
        axes.set_xlabel(f"time ({unit})", fontsize=panels.SMALL, color=panels.INK, labelpad=2)


def _verdicts(axes, expectations):
    """Expectations as lines of text; failed ones first where not all fit."""
    axes.set_axis_off()
    axes.set_title("Expectations", loc="left", fontsize=panels.NORMAL, color=panels.INK, fontweight="bold", pad=4)
    style = {"transform": axes.transAxes, "va": "top", "fontsize": panels.SMALL, "parse_math": False}
    if not expectations:
        axes.text(0.0, 0.97, "The scenario states none.", color=panels.GREY, **style)
        return
    chosen = list(expectations)
    if len(chosen) > _LISTED:
        chosen = sorted(chosen, key=lambda verdict: verdict["passed"])[: _LISTED - 1]
    pitch = 1.0 / _LISTED
    for row, verdict in enumerate(chosen):
        unit = measured_unit(verdict["signal"], verdict["measure"])
        word, colour = ("met", panels.INK) if verdict["passed"] else ("NOT MET", "#A63A00")
        top = 0.98 - row * pitch
        weight = "normal" if verdict["passed"] else "bold"
        axes.text(0.0, top, word, color=colour, fontweight=weight, **style)
        axes.text(0.155, top, textwrap.shorten(measure_text(verdict), 44, placeholder="..."), color=panels.INK, **style)
        axes.text(1.0, top, number(verdict["value"], unit, digits=4), color=panels.INK, ha="right", **style)
        limit = limit_text(verdict["limit"], unit)
        window = textwrap.shorten(window_text(verdict), max(62 - len(limit), 12), placeholder=" ...")
        axes.text(0.155, top - 0.42 * pitch, window, color=panels.GREY, **style)
        axes.text(1.0, top - 0.42 * pitch, limit, color=panels.GREY, ha="right", **style)
    if len(chosen) < len(expectations):
        told = f"and {len(expectations) - len(chosen)} more in metrics.json"
        axes.text(0.155, 0.98 - len(chosen) * pitch, told, color=panels.GREY, **style)


def _heading(figure, recording):
    title = str(getattr(getattr(recording, "scenario", None), "title", "") or scenario_name(recording))
    style = {"color": panels.INK, "parse_math": False}
    figure.text(0.02, 0.98, textwrap.shorten(title, 100, placeholder=" ..."), fontsize=13, va="top", **style)
    style["color"] = panels.GREY
    figure.text(0.02, 0.945, _setting(recording), fontsize=panels.NORMAL, va="top", **style)


def _setting(recording):
    """What the run was made of, as far as the scenario tells: machine, supply, carrier, load."""
    scenario = getattr(recording, "scenario", None)

    def told(table, key, text="{}"):
        value = getattr(getattr(scenario, table, None), key, None)
        return text.format(value) if value not in (None, "") else None

    carrier = getattr(getattr(scenario, "inverter", None), "switching_frequency_Hz", None)
    facts = (
        told("machine", "name"),
        told("supply", "voltage_V", "{:g} V"),
        told("inverter", "model", "{} legs"),
        f"{carrier / 1e3:g} kHz, {told('inverter', 'update') or '?'} update" if carrier else None,
        told("inverter", "modulation"),
        told("load", "kind", "load: {}"),
    )
    return "   |   ".join(fact for fact in facts if fact)[:160]


def _footer(figure, recording, expectations):
    met = sum(verdict["passed"] for verdict in expectations)
    facts = [textwrap.shorten(scenario_name(recording), 40, placeholder="...")]
    facts.append(f"{met} of {len(expectations)} expectations met" if expectations else "no expectations")
    audit = audit_verdict(recording)
    told = "aim met" if audit["met"] else f"aim {audit['aim']:.0e} NOT MET"
    facts.append(f"energy audit residual {number(audit['residual_relative'], digits=2)} ({told})")
    margin, at_s = lowest_voltage_margin(recording)
    when = f"{number(margin, 'V', digits=4)} at {number(at_s, 's')}" if at_s >= 0 else "not recorded"
    facts.append(f"least voltage margin {when}")
    error = getattr(recording, "error", None)
    if error:
        facts.insert(0, "RUN CUT SHORT")
    style = {"fontsize": panels.NORMAL, "color": panels.INK, "va": "bottom", "parse_math": False}
    figure.text(0.02, 0.015, "   |   ".join(facts), **style)
    figure.text(0.985, 0.015, f"drybench {drybench_version()}", ha="right", **{**style, "color": panels.GREY})
