"""The terminal's account of a loop response: predicted, measured, the difference, and a verdict in words."""

from simcore.report.tables import columns, say
from simcore.report.wording import number
from simcore.study.response.told import bandwidth_Hz
from simcore.study.response.words import agreement, verdict

_TITLES = {"current": "Current loop", "speed": "Speed loop"}
_FIGURES = (
    ("crossover", "crossover_Hz", "Hz"),
    ("phase margin", "phase_margin_deg", "deg"),
    ("gain margin", "gain_margin_dB", "dB"),
    ("sensitivity peak", "sensitivity_peak", ""),
)
_STEP_FIGURES = (("overshoot", "overshoot_percent", "%"), ("within 2 % after", "settling_time_s", "s"))
_PLACES = {"deg": 1, "dB": 1, "": 2, "%": 1}  # decimal places by unit
_WIDE = 24


def print_response(response, console):
    """(Response, rich Console) => None. Prints all there is."""
    scenario = response.scenario
    say(console, f"{scenario.name}: {scenario.title}" if scenario.title else scenario.name, style="bold")
    say(console, point_line(response))
    for sentence in response.told:
        say(console, f"Told: {sentence}")
    for name, title in _TITLES.items():
        if name in response.loops:
            console.print()
            _print_loop(title, response.loops[name], console)
    if "torque" in response.loops:
        console.print()
        say(console, _torque_line(response.loops["torque"].curves["torque"]))
    if response.survey is not None:
        console.print()
        _print_range(response.survey, console)
    for suggestion in response.suggestions:
        console.print()
        _print_suggestion(suggestion, console)


def point_line(response):
    """(Response) => the operating point in a line."""
    p = response.point
    inductance = (response.drive.winding if response.drive is not None else p).inductance_H
    text = f"At {number(p.at_s, 's')}: {number(p.speed_rpm, 'rpm')}, {number(p.torque_Nm, 'Nm', 4)}"
    if response.drive is not None:
        small = 1e-6 * response.scenario.machine.max_current_A
        id_A, iq_A = (number(value if abs(value) > small else 0.0, "A", 4) for value in p.reference_A)
        text += f" with id {id_A}, iq {iq_A}"
    text += f"; link {number(p.link_V, 'V')}; Ld {1e6 * inductance[0, 0]:.4g} uH, Lq {1e6 * inductance[1, 1]:.4g} uH here"
    return f"{text}."


def _print_loop(title, loop, console):
    """Blocks of figures, a block a cut or step, then what it comes to."""
    blocks = [(f"  cut {curves.broken_at}", _FIGURES, *_cut(loop, name)) for name, curves in loop.curves.items()]
    steps = loop.predicted.steps if loop.predicted is not None else loop.measured.steps
    for name in steps:
        what = f"  step of i{name}" if name in "dq" else f"  step of the {name} reference"
        measured = loop.measured.steps.get(name) if loop.measured is not None else None
        blocks.append((what, _STEP_FIGURES, steps[name] if loop.predicted is not None else None, measured))
    head = (f"{title}", "predicted", "measured", "difference")
    rows = [head] + [row for _, *figures in blocks for row in _rows(*figures)]
    if loop.measured is None:
        rows = [row[:2] for row in rows]
    lines = iter(columns(rows, right=(1, 2, 3)))
    say(console, next(lines), style="bold")
    for what, figures, *_ in blocks:
        console.print(what, soft_wrap=True, markup=False)
        for _ in figures:
            console.print(next(lines), soft_wrap=True, markup=False)
    for line in loop_lines(loop):
        say(console, line)


def _cut(loop, name):
    """(Loop, cut) => predicted and measured Margins, None where there are none."""
    predicted = loop.predicted.cuts.get(name) if loop.predicted is not None else None
    measured = loop.measured.curves.get(name) if loop.measured is not None else None
    return tuple(None if one is None else one.margins for one in (predicted, measured))


def _rows(figures, predicted, measured):
    """A figure a row: words, predicted, measured, difference."""
    both = predicted, measured
    return [
        (f"    {words:<{_WIDE}}", *(_cell(one, name, unit) for one in both), _difference(*both, name, unit))
        for words, name, unit in figures
    ]


def _cell(figures, name, unit):
    if figures is None:
        return "-"
    value = getattr(figures, name)
    if value is None:
        return "none"
    return f"{value:.{_PLACES[unit]}f} {unit}".rstrip() if unit in _PLACES else number(value, unit, 4 if unit == "Hz" else 3)


def _difference(predicted, measured, attribute, unit):
    """Measured minus predicted: of frequencies and times in percent."""
    if predicted is None or measured is None:
        return ""
    a, b = getattr(predicted, attribute), getattr(measured, attribute)
    if a is None or b is None:
        return ""
    if unit in ("Hz", "s"):
        return f"{100.0 * (b / a - 1.0):+.1f} %" if a else ""
    return f"{b - a:+.{_PLACES[unit]}f} {unit}".rstrip()


def loop_lines(loop):
    """(Loop) => what it comes to: stability edge, verdict, agreement."""
    lines = []
    if loop.predicted is not None:
        p, worst = loop.predicted, loop.predicted.worst
        if p.edge_factor is not None:
            lines.append(
                f"Stability edge: bandwidth or gains x {number(p.edge_factor, '', 4)}, that is {number(p.edge_Hz, 'Hz', 4)}."
            )
        words = verdict(p.stable, worst.margins.phase_margin_deg, worst.margins.gain_margin_dB)
        lines.append(f"Verdict: {words}; least margin {worst.broken_at}.")
    elif (found := loop.measured.worst) is not None:
        margins = found[1]
        words = verdict(None, margins.phase_margin_deg, margins.gain_margin_dB)
        lines.append(f"Verdict, as measured: {words}; least margin {loop.curves[found[0]].broken_at}.")
    for name, curves in loop.curves.items():
        if text := agreement(curves):
            lines.append(f"Measured and predicted ({name}) {text}, up to the crossover.")
    return lines


def _torque_line(curves):
    measured = bandwidth_Hz(curves.frequency_Hz, curves.measured_closed)
    text = f"Torque follows its command up to {number(measured, 'Hz', 4)} (-3 dB, measured)"
    words = agreement(curves)
    return f"{text}. Measured and predicted {words}, over all of it." if words else f"{text}."


def _print_range(survey, console):
    def span(name, unit, digits):
        low, high = survey.span(name)
        return f"{number(low, '', digits)} to {number(high, unit, digits)}"

    say(console, "Current loop over the operating range", style="bold")
    say(
        console,
        f"  {span('speed_rpm', 'rpm', 5)}, all torques, link {span('link_voltage_V', 'V', 5)}: phase margin "
        f"{span('phase_margin_deg', 'deg', 3)}.",
    )
    say(console, f"  Worst: {place_text(survey.worst)}: {number(survey.worst['phase_margin_deg'], 'deg', 3)}.")
    edge = survey.nearest_edge
    say(console, f"  Nearest to the edge: {place_text(edge)}: gains x {number(edge['stability_edge_factor'], '', 3)}.")


def place_text(place):
    """Figures of a place of the survey => words."""
    return (
        f"{number(place['speed_rpm'], 'rpm', 4)}, {number(place['torque_Nm'], 'Nm', 3)} (id {number(place['id_A'], 'A', 3)}, "
        f"iq {number(place['iq_A'], 'A', 3)}), link {number(place['link_voltage_V'], 'V', 4)}, cut {place['broken_at']}"
    )


def _print_suggestion(suggestion, console):
    loop, margins = suggestion.loop, suggestion.loop.worst.margins
    say(console, f"For {suggestion.asked}", style="bold")
    for line in suggestion.lines:
        console.print(f"  {line}", soft_wrap=True, markup=False)
    figures = [f"{words} {_cell(margins, name, unit)}" for words, name, unit in _FIGURES[:3]]
    figures += [f"{words} {_cell(loop.worst_step, name, unit)}" for words, name, unit in _STEP_FIGURES]
    words = verdict(loop.stable, margins.phase_margin_deg, margins.gain_margin_dB)
    say(console, f"  gives: {', '.join(figures)}: {words}.")
