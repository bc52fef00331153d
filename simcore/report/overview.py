"""The overview picture of a run: one landscape page, read from the command down to the limit that bound."""

import os
import textwrap
import warnings
from pathlib import Path

import numpy as np

from simcore.measure.audit import audit_verdict
from simcore.measure.expectations import judge
from simcore.measure.limits import NAMED_CODES, binding_shares, code_names, lowest_voltage_margin, negative_margin_share
from simcore.measure.windows import end_s
from simcore.report import panels
from simcore.report.moments import close_look
from simcore.report.results import drybench_version, scenario_name
from simcore.report.wording import (
    limit_text,
    margin_text,
    measure_text,
    number,
    value_text,
    verdict_unit,
    window_text,
)

_PAGE_INCH = (11.69, 8.27)
_WIDTH_PX = 1600
_TOP, _LEFT, _MIDDLE, _RIGHT = 0.885, 0.1, 0.66, 0.965
_LISTED, _LEAST_LISTED, _PITCH = 12, 6, 0.0305
_LOWEST, _BETWEEN = 0.05, 0.095
_INDENT = 0.17  # of a verdict's text, in the panel's width
_ALARM = "#A63A00"
_FAULT = {"color": "#A63A00", "linewidth": 2.5, "solid_capstyle": "butt", "zorder": 5, "clip_on": False}
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
    heights = (3.2, 3.2, 2, 1.6, max(0.9, 0.4 * len(binding_shares(recording))))
    frame = {"left": _LEFT, "right": 0.61, "top": _TOP, "bottom": 0.09}
    left = figure.add_gridspec(5, 1, height_ratios=heights, hspace=0.42, **frame)
    _over_time(figure, left, recording, len(expectations))
    _verdicts(figure, recording, expectations)
    _heading(figure, recording)
    _footer(figure, recording, expectations)
    return figure


def _over_time(figure, left, recording, verdicts):
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
    over_time, labelled = column.copy(), [column[-1]]
    at_look, at_error = _right_column(verdicts, panels.no_angle_error(recording))
    whole = look.to_s - look.from_s > 0.99 * duration
    panels.phase_currents(figure.add_axes(at_look), recording, look, whole)
    error = figure.add_axes(at_error)
    if panels.no_angle_error(recording):
        _title(error, panels.ANGLE_ERROR)
        error.text(0.0, 1.0, "ideal sensor: no error", transform=error.transAxes, va="top", **_SMALL, color=panels.GREY)
    else:
        panels.angle_error(error, recording, scale)
        over_time.append(error)
        labelled.append(error)
    for axes in over_time:
        if not whole:
            axes.axvspan(look.from_s * scale, look.to_s * scale, **_SHADE)
        axes.set_xlim(float(recording.time_s[0]) * scale, end_s(recording) * scale)
    _mark_faults(column[0], recording, scale)
    for axes in labelled:
        axes.set_xlabel(f"time ({unit})", fontsize=panels.SMALL, color=panels.INK, labelpad=2)


def _mark_faults(axes, recording, scale):
    """A bar along the top of the first panel wherever a fault acts."""
    if "fault" not in recording or not recording["fault"].any():
        return
    acts = np.concatenate([[0], recording["fault"] > 0, [0]])
    edges = np.append(recording.time_s, end_s(recording)) * scale
    for first, last in zip(np.flatnonzero(np.diff(acts) == 1), np.flatnonzero(np.diff(acts) == -1), strict=True):
        axes.plot([edges[first], edges[last]], [1.0, 1.0], transform=axes.get_xaxis_transform(), **_FAULT)
    axes.text(1.0, 1.02, "fault acts", transform=axes.transAxes, ha="right", va="bottom", **_SMALL, color=_ALARM)


def _right_column(verdicts, no_error):
    """(number of verdicts, True without an angle error) => places of phase currents and angle error on the page.

    Verdicts take what they need from below; the panels share what is left.
    """
    bottom = _verdicts_top(verdicts) + _BETWEEN
    if no_error:
        note = bottom - 0.04
        return _place(note + 0.02 + _BETWEEN, _TOP), _place(note, note + 0.02)
    cut = bottom + 0.4 * (_TOP - bottom - _BETWEEN)
    return _place(cut + _BETWEEN, _TOP), _place(bottom, cut)


def _place(bottom, top):
    return _MIDDLE, bottom, _RIGHT - _MIDDLE, top - bottom


def _verdicts_top(verdicts):
    return _LOWEST + _PITCH * min(max(verdicts, _LEAST_LISTED), _LISTED)


def _title(axes, text):
    axes.set_axis_off()
    axes.set_title(text, loc="left", fontsize=panels.NORMAL, color=panels.INK, fontweight="bold", pad=4)


_SMALL = {"fontsize": panels.SMALL, "parse_math": False}


def _verdicts(figure, recording, expectations):
    """Expectations as lines of text; failed ones first where not all fit."""
    top = _verdicts_top(len(expectations))
    axes = figure.add_axes(_place(_LOWEST, top))
    _title(axes, "Expectations")
    chosen = list(expectations)
    if len(chosen) > _LISTED:
        chosen = sorted(chosen, key=lambda verdict: verdict["passed"])[: _LISTED - 1]
    pitch = _PITCH / (top - _LOWEST)
    told = "" if expectations else "The scenario states none."
    for row, verdict in enumerate(chosen):
        _verdict(axes, recording, verdict, 0.98 - row * pitch, 0.42 * pitch)
    if len(chosen) < len(expectations):
        told = f"and {len(expectations) - len(chosen)} more in metrics.json"
    style = {"transform": axes.transAxes, "va": "top", "color": panels.GREY, **_SMALL}
    axes.text(_INDENT if chosen else 0.0, 0.98 - len(chosen) * pitch, told, **style)


def _verdict(axes, recording, verdict, top, step):
    """One verdict: word, measure and value; below window and limit, in grey."""
    names = code_names(recording, verdict["signal"]) if verdict["signal"] in NAMED_CODES else None
    word, colour, weight = ("met", panels.INK, "normal") if verdict["passed"] else ("NOT MET", _ALARM, "bold")
    style = {"transform": axes.transAxes, "va": "top", **_SMALL}
    axes.text(0.0, top, word, color=colour, fontweight=weight, **style)
    lines = (
        (top, panels.INK, measure_text(verdict), value_text(verdict, names, digits=4)),
        (top - step, panels.GREY, window_text(verdict), limit_text(verdict["limit"], verdict_unit(verdict))),
    )
    for y, colour, begin, end in lines:
        right = axes.text(1.0, y, end, color=colour, ha="right", **style)
        left = axes.text(_INDENT, y, begin, color=colour, **style)
        cut_to_fit(left, right.get_window_extent().x0 - 8.0)


def cut_to_fit(text, right_px):
    """(text artist, right bound [px]) => None. Cuts the end of a text that would reach beyond, and says so by dots."""
    whole = text.get_text()
    kept = len(whole)
    while text.get_window_extent().x1 > right_px and kept > 0:
        # Near the end letter by letter, far from it in strides.
        over = text.get_window_extent().x1 - right_px
        kept -= max(1, int(over / text.get_window_extent().width * kept))
        text.set_text(whole[:kept].rstrip() + "...")


def _heading(figure, recording):
    scenario = getattr(recording, "scenario", None)
    style = {"va": "top", "parse_math": False}
    small = {"fontsize": panels.NORMAL, "color": panels.GREY, **style}
    name = figure.text(0.98, 0.976, textwrap.shorten(scenario_name(recording), 40, placeholder="..."), ha="right", **small)
    bound = name.get_window_extent().x0 - 24.0
    if getattr(recording, "error", None):
        cut = {**small, "color": _ALARM, "fontweight": "bold"}
        figure.text(0.98, 0.945, "RUN CUT SHORT", ha="right", **cut)
    title = " ".join(str(getattr(scenario, "title", "") or scenario_name(recording)).split())
    cut_to_fit(figure.text(0.02, 0.98, title, fontsize=13, color=panels.INK, **style), bound)
    cut_to_fit(figure.text(0.02, 0.945, _setting(recording), **small), 0.86 * figure.bbox.width)


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
    return "   |   ".join(" ".join(fact.split()) for fact in facts if fact)


def _footer(figure, recording, expectations):
    met = sum(verdict["passed"] for verdict in expectations)
    facts = [f"{met} of {len(expectations)} expectations met" if expectations else "no expectations"]
    audit = audit_verdict(recording)
    told = "aim met" if audit["met"] else f"aim {audit['aim']:.0e} NOT MET"
    facts.append(f"energy audit residual {number(audit['residual_relative'], digits=2)} ({told})")
    margin = margin_text(*lowest_voltage_margin(recording), negative_margin_share(recording), digits=4)
    facts.append(margin or "voltage margin not reported")
    style = {"fontsize": panels.NORMAL, "va": "bottom", "parse_math": False}
    version = figure.text(0.98, 0.015, f"drybench {drybench_version()}", ha="right", color=panels.GREY, **style)
    footer = figure.text(0.02, 0.015, "   |   ".join(facts), color=panels.INK, **style)
    cut_to_fit(footer, version.get_window_extent().x0 - 12.0)
