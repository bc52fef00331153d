"""The panels of a loop's picture: open response with its margins, coherence, closed response, step."""

import numpy as np

from simcore.report.panels import BLUE, GREEN, GREY, INK, NORMAL, PURPLE, SMALL, VERMILION, dress, note
from simcore.report.wording import number

_POINTS = 400
_STEP_MARKS = 240
_STYLES = {
    "d": (VERMILION, "s"), "q": (BLUE, "o"), "d_output": (VERMILION, "s"), "q_output": (BLUE, "o"), "vector": (GREEN, "^"),
    "both": (GREEN, "^"), "speed": (BLUE, "o"), "shaft": (BLUE, "o"), "torque": (PURPLE, "D"),
}  # fmt: skip
_LABELS = {
    "d": "d, q closed", "q": "q, d closed", "d_output": "d, q closed", "q_output": "q, d closed", "vector": "complex vector",
    "both": "both at once", "speed": "speed", "shaft": "speed, cut at the shaft", "torque": "torque over its command",
}  # fmt: skip


def _dense(curves):
    """Frequencies of a smooth line over the curves' range."""
    f = curves.frequency_Hz
    return np.geomspace(f[0], f[-1], _POINTS)


def _decibel(response):
    with np.errstate(all="ignore"):
        return 20.0 * np.log10(np.abs(response))


def draw_open(size, turn, loop):
    """Magnitude and phase of the open responses, margins marked."""
    dress(size, "Open response, magnitude (dB)")
    dress(turn, "Open response, phase (deg)")
    for name, curves in loop.curves.items():
        cut = loop.predicted.cuts.get(name) if loop.predicted is not None else None
        colour, mark = _STYLES[name]
        label = _LABELS[name]
        phase = None
        if cut is not None:
            f = _dense(curves)
            values = cut.loop(f)
            phase = np.degrees(np.unwrap(np.angle(values)))
            dash = "-" if name not in ("vector", "both") else (0, (5, 2))
            size.semilogx(f, _decibel(values), color=colour, linewidth=1.3, linestyle=dash, label=label)
            turn.semilogx(f, phase, color=colour, linewidth=1.3, linestyle=dash)
            label = None
        _points(size, turn, curves, colour, mark, label, None if phase is None else (f, phase))
    size.axhline(0.0, color=INK, linewidth=0.7)
    turn.axhline(-180.0, color=INK, linewidth=0.7)
    _limits(size, turn)
    measured = [c.frequency_Hz for c in loop.curves.values() if np.isfinite(c.coherence).any()]
    lows = measured or [c.frequency_Hz for c in loop.curves.values()]
    size.set_xlim(0.8 * min(f[0] for f in lows), 1.05 * max(c.frequency_Hz[-1] for c in loop.curves.values()))
    if loop.predicted is not None:
        _marks(size, turn, loop.predicted.worst)
    size.legend(
        loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=4, fontsize=SMALL, frameon=False, borderaxespad=0.1, labelcolor=INK
    )


def _points(size, turn, curves, colour, mark, label, line):
    """Measured points; those that noise covers are hollow."""
    known = np.isfinite(curves.measured_open)
    if not known.any():
        return
    values = curves.measured_open
    if line is not None:
        # Beside the predicted phase, so that both take the same turn.
        near = np.interp(np.log(curves.frequency_Hz), np.log(line[0]), line[1])
        phase = near + np.degrees(np.angle(values * np.exp(-1j * np.radians(near))))
    else:
        phase = np.degrees(np.unwrap(np.angle(values)))
    for chosen, face in ((known & curves.trusted, colour), (known & ~curves.trusted, "white")):
        style = {"marker": mark, "markersize": 3.6, "linestyle": "none", "markeredgecolor": colour, "markerfacecolor": face}
        size.semilogx(curves.frequency_Hz[chosen], _decibel(values[chosen]), label=label if face != "white" else None, **style)
        turn.semilogx(curves.frequency_Hz[chosen], phase[chosen], **style)


def _limits(size, turn):
    """No further down than a loop is of interest, and round phases."""
    low, high = size.get_ylim()
    size.set_ylim(max(low, -45.0), min(max(high, 10.0), 60.0))
    low, high = turn.get_ylim()
    turn.set_ylim(max(low, -360.0), min(max(high, -60.0), 30.0))
    turn.set_yticks(np.arange(-360.0, 31.0, 45.0 if turn.get_ylim()[1] - turn.get_ylim()[0] < 300.0 else 90.0))
    turn.set_ylim(max(low, -360.0), min(max(high, -60.0), 30.0))


def _marks(size, turn, cut):
    """Phase margin at the crossover, gain margin at the phase crossover, of the cut with the least phase margin."""
    m = cut.margins
    style = {"color": INK, "linewidth": 1.6, "solid_capstyle": "butt"}
    text = {"fontsize": SMALL, "color": INK, "va": "center", "bbox": {"facecolor": "white", "edgecolor": "none", "pad": 1.0}}
    thin = {"color": INK, "linewidth": 0.7, "linestyle": (0, (2, 2))}
    if m.crossover_Hz is not None:
        phase = -180.0 + m.phase_margin_deg
        for axes in (size, turn):
            axes.axvline(m.crossover_Hz, **thin)
        turn.plot([m.crossover_Hz] * 2, [-180.0, phase], **style)
        words = f"{number(m.phase_margin_deg, 'deg', 3)} at {number(m.crossover_Hz, 'Hz', 3)}"
        turn.text(m.crossover_Hz * 0.93, 0.5 * (phase - 180.0), words, ha="right", **text)
    if m.gain_margin_dB is not None:
        for axes in (size, turn):
            axes.axvline(m.phase_crossover_Hz, **thin)
        size.plot([m.phase_crossover_Hz] * 2, [-m.gain_margin_dB, 0.0], **style)
        words = f"{number(m.gain_margin_dB, 'dB', 3)} at {number(m.phase_crossover_Hz, 'Hz', 4)}"
        near_end = m.phase_crossover_Hz > 0.4 * size.get_xlim()[1]
        size.text(m.phase_crossover_Hz, 5.0, words, ha="right" if near_end else "center", **text)


def draw_coherence(axes, loop):
    dress(axes, "Coherence")
    measured = False
    for name, curves in loop.curves.items():
        if np.isfinite(curves.coherence).any():
            colour, mark = _STYLES[name]
            axes.semilogx(curves.frequency_Hz, curves.coherence, color=colour, marker=mark, markersize=3.0, linewidth=0.8)
            measured = True
    axes.set_ylim(0.0, 1.05)
    axes.set_xlabel("frequency (Hz)", fontsize=SMALL, color=INK, labelpad=2)
    if not measured:
        axes.text(
            0.5, 0.5, "nothing was measured (--measure)", transform=axes.transAxes, ha="center", va="center", fontsize=NORMAL,
            color=GREY,
        )  # fmt: skip


def draw_closed(axes, loop, torque):
    """Closed responses, and the torque's where it was measured."""
    dress(axes, "Closed response, magnitude (dB)")
    drawn = dict(loop.curves) | (dict(torque.curves) if torque is not None else {})
    for name, curves in drawn.items():
        colour, mark = _STYLES[name]
        label = _LABELS[name]
        if np.isfinite(curves.predicted_closed).any() and name not in ("vector", "both"):
            axes.semilogx(curves.frequency_Hz, _decibel(curves.predicted_closed), color=colour, linewidth=1.3, label=label)
            label = None
        if np.isfinite(curves.measured_closed).any():
            axes.semilogx(
                curves.frequency_Hz, _decibel(curves.measured_closed), color=colour, marker=mark, markersize=3.6,
                linestyle="none", label=label,
            )  # fmt: skip
    axes.axhline(-3.0103, color=GREY, linewidth=0.7, linestyle=(0, (2, 2)))
    low, high = axes.get_ylim()
    axes.set_ylim(max(low, -35.0), min(max(high, 3.0), 20.0))
    axes.set_xlabel("frequency (Hz)", fontsize=SMALL, color=INK, labelpad=2)
    axes.legend(loc="lower left", fontsize=SMALL, frameon=False, labelcolor=INK)


def draw_step(axes, loop):
    """Answers to a unit step of each reference."""
    dress(axes, "Step of a reference (share of the step)")
    end_s = 0.0
    measured = loop.measured.step_answers if loop.measured is not None else {}
    predicted = loop.predicted.answers if loop.predicted is not None else {}
    if not measured and not predicted:
        note(axes, "no answer: the loop swings, or nothing was stepped")
        axes.set_xticks([])
        return
    for name, (time_s, answer) in measured.items():
        colour, mark = _STYLES[name]
        apart = max(1, len(time_s) // _STEP_MARKS)
        time_s, answer = time_s[::apart], answer[::apart]
        axes.plot(time_s, answer, color=colour, marker=mark, markersize=2.4, linewidth=0, label=f"{name} measured")
        end_s = max(end_s, 0.35 * float(time_s[-1]))
    for name, (time_s, answer) in predicted.items():
        colour, _ = _STYLES[name]
        axes.plot(time_s, answer, color=colour, linewidth=1.3, label=f"{name} predicted")
        settled = loop.predicted.steps[name].settling_time_s
        if not end_s and settled:
            end_s = 3.0 * settled
    scale, unit = (1e3, "ms") if end_s < 1.0 else (1.0, "s")
    for line in axes.get_lines():
        line.set_xdata(np.asarray(line.get_xdata()) * scale)
    axes.set_xlim(0.0, max(end_s * scale, 1e-6))
    axes.axhline(1.0, color=INK, linewidth=0.7, linestyle=(0, (5, 2)))
    axes.set_ylim(min(-0.05, axes.get_ylim()[0]), max(1.15, min(axes.get_ylim()[1], 2.2)))
    axes.set_xlabel(f"time from the step ({unit})", fontsize=SMALL, color=INK, labelpad=2)
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="lower right", fontsize=SMALL, frameon=False, labelcolor=INK)
