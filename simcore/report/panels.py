"""The panels of the overview: each draws one subject into the axes it is given."""

import numpy as np

from simcore.measure.limits import code_names, shares
from simcore.measure.windows import end_s
from simcore.report.envelope import envelope, occurrences
from simcore.report.wording import code_text, share_text

# Eight hues told apart with any colour vision (Okabe and Ito 2008, from memory); references are black dashes besides.
BLUE, VERMILION, GREEN, PURPLE, INK, GREY = "#0072B2", "#D55E00", "#009E73", "#AA4499", "#1A1A1A", "#6E6E6E"
SMALL, NORMAL = 7.5, 8.5

_DASHES = {"color": INK, "linewidth": 0.9, "zorder": 3}


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
    axes.ticklabel_format(useOffset=False, style="plain")


def line(axes, recording, signal, label, scale, **style):
    """Draw one signal if any of it is finite. Returns its finite values (n,), to set the limits by."""
    if signal not in recording.signals:
        return np.empty(0)
    values = np.asarray(recording[signal], dtype=np.float64)
    finite = values[np.isfinite(values)]
    if len(finite):
        time_s, drawn = envelope(recording.time_s, values)
        axes.plot(time_s * scale, drawn, label=label, **{"linewidth": 1.2, "solid_joinstyle": "round", **style})
    return finite


def settle(axes, parts, least):
    """Limits that hold all drawn values with a margin, and never zoom into less than `least` of their unit."""
    values = np.concatenate(parts) if parts else np.empty(0)
    if len(values) == 0:
        axes.text(
            0.5, 0.5, "not recorded", transform=axes.transAxes, ha="center", va="center", fontsize=NORMAL, color=GREY
        )
        axes.set_yticks([])
        return
    low, high = float(np.min(values)), float(np.max(values))
    span = max(high - low, least, 0.02 * max(abs(low), abs(high)))
    middle = 0.5 * (low + high)
    axes.set_ylim(middle - 0.56 * span, middle + 0.56 * span)
    if len(axes.get_legend_handles_labels()[0]) > 1:
        legend = axes.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=4, fontsize=SMALL, frameon=False,
            borderaxespad=0.1, handlelength=2.2, columnspacing=1.4, labelcolor=INK,
        )  # fmt: skip
        legend.set_in_layout(False)


def torque(axes, recording, scale):
    """Air-gap torque against its reference [Nm]."""
    dress(axes, "Torque (Nm)")
    parts = [line(axes, recording, "torque_Nm", "air gap", scale, color=BLUE)]
    parts.append(line(axes, recording, "torque_reference_Nm", "reference", scale, linestyle=(0, (5, 2)), **_DASHES))
    settle(axes, parts, 0.1)


def currents(axes, recording, scale):
    """Currents in the rotor frame against their references [A]."""
    dress(axes, "Currents in the rotor frame (A)")
    parts = [line(axes, recording, "iq_A", "iq", scale, color=BLUE)]
    parts.append(line(axes, recording, "id_A", "id", scale, color=VERMILION))
    parts.append(line(axes, recording, "iq_reference_A", "iq reference", scale, linestyle=(0, (5, 2)), **_DASHES))
    parts.append(line(axes, recording, "id_reference_A", "id reference", scale, linestyle=(0, (1, 1.5)), **_DASHES))
    settle(axes, parts, 0.1)


def speed(axes, recording, scale):
    """Shaft speed against its reference [rpm]."""
    dress(axes, "Speed (rpm)")
    parts = [line(axes, recording, "speed_rpm", "shaft", scale, color=BLUE)]
    parts.append(line(axes, recording, "speed_reference_rpm", "reference", scale, linestyle=(0, (5, 2)), **_DASHES))
    settle(axes, parts, 1.0)


def link_voltage(axes, recording, scale):
    """DC-link voltage [V]."""
    dress(axes, "Link voltage (V)")
    settle(axes, [line(axes, recording, "link_voltage_V", "link", scale, color=BLUE)], 1.0)


def angle_error(axes, recording, scale):
    """Measured minus true angle, electrical [deg]."""
    dress(axes, "Angle error, measured minus true (deg electrical)")
    settle(axes, [line(axes, recording, "angle_error_deg", "error", scale, color=BLUE)], 0.02)


def phase_currents(axes, recording, look):
    """Phase currents [A] over the close look (from_s, to_s, step_s), time counted from the step [ms]."""
    begin, end, step_s = look
    where = "first step" if step_s is not None else "start"
    dress(axes, "Phase currents (A)")
    zero = begin if step_s is None else step_s
    rows = slice(*np.searchsorted(recording.time_s, [begin, end]))
    parts = []
    for phase, colour, dash in (("a", BLUE, "-"), ("b", VERMILION, (0, (6, 1.2))), ("c", GREEN, (0, (2.5, 1)))):
        signal = f"i{phase}_A"
        if signal not in recording.signals:
            continue
        values = np.asarray(recording[signal][rows], dtype=np.float64)
        if np.isfinite(values).any():
            time_s, drawn = envelope(recording.time_s[rows], values)
            axes.plot((time_s - zero) * 1e3, drawn, color=colour, linestyle=dash, linewidth=1.1, label=phase)
            parts.append(values[np.isfinite(values)])
    settle(axes, parts, 0.1)
    if step_s is not None:
        axes.axvline(0.0, color=GREY, linewidth=0.8, linestyle=(0, (2, 2)), zorder=1)
    axes.set_xlim((begin - zero) * 1e3, (end - zero) * 1e3)
    axes.set_xlabel(f"time from the {where} (ms), the shaded part of the run", fontsize=SMALL, color=INK, labelpad=2)


def limits(axes, recording, scale):
    """A lane for each limit that bound at any time, so that it reads without colour."""
    dress(axes, "Limit that binds, and its share of time")
    found = shares(recording, "binding_limit")
    if not found:
        settle(axes, [], 1.0)
        return
    codes = np.asarray(recording["binding_limit"])
    by_name = {name: code for code, name in code_names(recording, "binding_limit").items()}
    labels = []
    size = SMALL if len(found) <= 5 else 6.5
    for lane, (name, share) in enumerate(found.items()):
        code = by_name.get(name, int(name.removeprefix("code_")) if name.startswith("code_") else 0)
        spans = occurrences(recording.time_s, end_s(recording), codes, code)
        colour = "#BBBBBB" if name == "none" else INK
        axes.broken_barh([(a * scale, b * scale) for a, b in spans], (lane - 0.3, 0.6), facecolor=colour, linewidth=0)
        labels.append(code_text(name))
        axes.text(
            1.01, lane, share_text(share), transform=axes.get_yaxis_transform(), va="center", fontsize=size, color=INK
        )
    axes.set_yticks(range(len(labels)), labels)
    axes.tick_params(axis="y", labelsize=size)
    axes.set_ylim(len(labels) - 0.4, -0.6)
    axes.grid(False, axis="y")
