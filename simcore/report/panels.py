"""The panels of the overview: each draws one subject into the axes it is given."""

import math

import numpy as np

from simcore.measure.limits import binding_shares, code_names, limits_reported
from simcore.measure.windows import end_s
from simcore.report.envelope import envelope, occurrences
from simcore.report.wording import NOT_REPORTED, code_text, share_text

# Eight hues told apart with any colour vision (Okabe and Ito 2008, from memory); references are black dashes besides.
BLUE, VERMILION, GREEN, PURPLE, INK, GREY = "#0072B2", "#D55E00", "#009E73", "#AA4499", "#1A1A1A", "#6E6E6E"
SMALL, NORMAL = 7.5, 8.5

# References lie beneath what was measured: a noisy one would hide it.
_DASHED = {"color": INK, "linewidth": 0.7, "zorder": 1.9, "linestyle": (0, (5, 2))}
_DOTTED = {**_DASHED, "linestyle": (0, (1, 1.5))}
_LONGEST_PLAIN = 1e6
_LEAST_SEEN = 0.002  # of the run's length, a pixel and a half


def dress(axes, title):
    """Title with unit at the upper left, quiet frame, no offsets on the numbers."""
    axes.set_title(title, loc="left", fontsize=NORMAL, color=INK, fontweight="bold", pad=4)
    axes.tick_params(labelsize=SMALL, length=2.5, width=0.6, colors=INK)
    axes.tick_params(axis="x", pad=5.5)
    axes.grid(True, color="#DDDDDD", linewidth=0.5)
    axes.set_axisbelow(True)
    for side, spine in axes.spines.items():
        spine.set_visible(side in ("left", "bottom"))
        spine.set_linewidth(0.6)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter(_tick_text(axis))


def _tick_text(axis):
    """A formatter of plain numbers without offsets; enormous ones get an exponent each, so that they fit the page."""
    from matplotlib.ticker import ScalarFormatter

    class Brief(ScalarFormatter):
        def format_ticks(self, values):
            largest = max((abs(value) for value in values), default=0.0)
            if largest < _LONGEST_PLAIN:
                return super().format_ticks(values)
            apart = min((abs(b - a) for a, b in zip(values, values[1:], strict=False)), default=0.0)
            digits = min(math.ceil(math.log10(largest / apart)) + 1, 6) if apart > 0.0 else 6
            return [f"{value:.{digits}g}".replace("e+", "e").replace("-", "\N{MINUS SIGN}") for value in values]

    brief = Brief(useOffset=False)
    brief.set_scientific(False)
    return brief


def note(axes, text):
    """Words in the place of a drawing that would say nothing."""
    axes.text(0.5, 0.5, text, transform=axes.transAxes, ha="center", va="center", fontsize=NORMAL, color=GREY)
    axes.set_yticks([])


def line(axes, recording, signal, label, scale, **style):
    """Draw one signal if any of it is finite. Returns its finite values (n,), to set the limits by."""
    if signal not in recording.signals:
        return np.empty(0)
    values = np.asarray(recording[signal], dtype=np.float64)
    finite = values[np.isfinite(values)]
    if len(finite):
        time_s, drawn = envelope(recording.time_s, values)
        # A single row would draw nothing.
        style = {"linewidth": 1.2, "solid_joinstyle": "round", "marker": "." if len(drawn) == 1 else "", **style}
        axes.plot(time_s * scale, drawn, label=label, **style)
    return finite


def settle(axes, parts, least, handle=2.2):
    """Limits that hold all drawn values with a margin, and never zoom into less than `least` of their unit."""
    values = np.concatenate(parts) if parts else np.empty(0)
    if len(values) == 0:
        note(axes, "not recorded")
        return
    low, high = float(np.min(values)), float(np.max(values))
    span = max(high - low, least, 0.02 * max(abs(low), abs(high)))
    middle = 0.5 * (low + high)
    axes.set_ylim(middle - 0.56 * span, middle + 0.56 * span)
    if len(axes.get_legend_handles_labels()[0]) > 1:
        legend = axes.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=4, fontsize=SMALL, frameon=False,
            borderaxespad=0.1, handlelength=handle, columnspacing=0.6 * handle, labelcolor=INK,
        )  # fmt: skip
        legend.set_in_layout(False)


def torque(axes, recording, scale):
    """Air-gap torque against its reference [Nm]."""
    dress(axes, "Torque (Nm)")
    parts = [line(axes, recording, "torque_Nm", "air gap", scale, color=BLUE)]
    parts.append(line(axes, recording, "torque_reference_Nm", "reference", scale, **_DASHED))
    settle(axes, parts, 0.1)


def currents(axes, recording, scale):
    """Currents in the rotor frame against their references [A]."""
    dress(axes, "Currents in the rotor frame (A)")
    parts = [line(axes, recording, "iq_A", "iq", scale, color=BLUE)]
    parts.append(line(axes, recording, "id_A", "id", scale, color=VERMILION))
    parts.append(line(axes, recording, "iq_reference_A", "iq reference", scale, **_DASHED))
    parts.append(line(axes, recording, "id_reference_A", "id reference", scale, **_DOTTED))
    settle(axes, parts, 0.1)


def speed(axes, recording, scale):
    """Shaft speed against its reference [rpm]."""
    dress(axes, "Speed (rpm)")
    parts = [line(axes, recording, "speed_rpm", "shaft", scale, color=BLUE)]
    parts.append(line(axes, recording, "speed_reference_rpm", "reference", scale, **_DASHED))
    settle(axes, parts, 1.0)


def link_voltage(axes, recording, scale):
    """DC-link voltage [V]."""
    dress(axes, "Link voltage (V)")
    settle(axes, [line(axes, recording, "link_voltage_V", "link", scale, color=BLUE)], 1.0)


ANGLE_ERROR = "Angle error, measured minus true (deg electrical)"


def no_angle_error(recording):
    """recording => True where the position sensor is ideal and the error zero all the time."""
    position = getattr(getattr(getattr(recording, "scenario", None), "sensors", None), "position", None)
    if getattr(position, "kind", None) != "ideal" or "angle_error_deg" not in recording.signals:
        return False
    return not np.any(recording["angle_error_deg"])


def angle_error(axes, recording, scale):
    """Measured minus true angle, electrical [deg]."""
    dress(axes, ANGLE_ERROR)
    settle(axes, [line(axes, recording, "angle_error_deg", "error", scale, color=BLUE)], 0.02)


def phase_currents(axes, recording, look, whole):
    """Phase currents [A] over the close look (whole: all of the run), time counted from what it is about [ms]."""
    begin, end, zero, what = look
    dress(axes, f"Phase currents, {'the largest' if what == 'largest current' else what} (A)")
    rows = slice(*np.searchsorted(recording.time_s, [begin, end]))
    dot = "." if rows.stop - rows.start == 1 else ""
    parts = []
    for phase, colour, dash in (("a", BLUE, "-"), ("b", VERMILION, (0, (6, 1.2))), ("c", GREEN, (0, (2.5, 1)))):
        signal = f"i{phase}_A"
        if signal not in recording.signals:
            continue
        values = np.asarray(recording[signal][rows], dtype=np.float64)
        if np.isfinite(values).any():
            time_s, drawn = envelope(recording.time_s[rows], values)
            axes.plot((time_s - zero) * 1e3, drawn, color=colour, linestyle=dash, linewidth=1.1, label=phase, marker=dot)
            parts.append(values[np.isfinite(values)])
    settle(axes, parts, 0.1, handle=1.8)
    if zero > begin:
        axes.axvline(0.0, color=GREY, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)
    axes.set_xlim((begin - zero) * 1e3, (end - zero) * 1e3)
    part = "the whole run" if whole else "the shaded part of the run"
    axes.set_xlabel(f"time from the {what} (ms), {part}", fontsize=SMALL, color=INK, labelpad=2)


def limits(axes, recording, scale):
    """A lane for each limit that bound at any time, so that it reads without colour."""
    dress(axes, "Limit that binds, and its share of time")
    found = binding_shares(recording)
    if not found:
        silent = "binding_limit" in recording.signals and not limits_reported(recording)
        note(axes, NOT_REPORTED if silent else "not recorded")
        return
    codes = np.asarray(recording["binding_limit"])
    by_name = {name: code for code, name in code_names(recording, "binding_limit").items()}
    labels = []
    size = SMALL if len(found) <= 5 else 6.5
    for lane, (name, share) in enumerate(found.items()):
        code = by_name.get(name, int(name.removeprefix("code_")) if name.startswith("code_") else 0)
        spans = occurrences(recording.time_s, end_s(recording), codes, code)
        colour = "#BBBBBB" if name == "none" else INK
        # What lasts for a row only must still be seen on paper.
        least = _LEAST_SEEN * (end_s(recording) - float(recording.time_s[0]))
        bars = [(begin * scale, max(length, least) * scale) for begin, length in spans]
        axes.broken_barh(bars, (lane - 0.3, 0.6), facecolor=colour, linewidth=0)
        labels.append(code_text(name))
        told = share_text(share).replace("above", ">").replace("below", "<")
        axes.text(
            1.01, lane, told, transform=axes.get_yaxis_transform(), va="center", fontsize=size, color=INK
        )
    axes.set_yticks(range(len(labels)), labels)
    axes.tick_params(axis="y", labelsize=size)
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.grid(False, axis="y")
