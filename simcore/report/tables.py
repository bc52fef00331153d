"""The terminal's tables: verdicts, energy audit, limits, speed. One function a table; no pictures."""

import math
import re
import textwrap

from rich.text import Text

from simcore.measure.audit import audit_verdict
from simcore.measure.braking import braking
from simcore.measure.limits import (
    NAMED_CODES,
    binding_shares,
    code_names,
    limits_reported,
    lowest_voltage_margin,
    negative_margin_share,
    shares,
)
from simcore.measure.power_stage import LOSSES, power_stage
from simcore.measure.windows import end_s
from simcore.report.braking_lines import braking_lines
from simcore.report.monitor_lines import monitor_lines
from simcore.report.results import scenario_name
from simcore.report.wording import (
    NOT_REPORTED,
    code_text,
    limit_text,
    margin_text,
    measure_text,
    number,
    share_text,
    value_text,
    verdict_unit,
    window_text,
)

_VERDICTS = {True: ("met", "green"), False: ("NOT MET", "bold red")}
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=%|(?:s|ms|us|V|A|Nm|rpm|rad|W|J|deg)\b)")
_INDENT = 11  # of what stands behind the verdict's word


def print_report(recording, expectations, console):
    """(recording, verdicts of measure.judge, rich Console) => None. Prints every table that has something to say."""
    title = str(getattr(getattr(recording, "scenario", None), "title", "") or "")
    say(console, f"{scenario_name(recording)}: {title}" if title else scenario_name(recording), style="bold")
    if getattr(recording, "error", None):
        say(console, f"The run was cut short at {number(end_s(recording), 's')}; what follows holds up to there.")
    for finding in getattr(recording, "findings", ()) or ():
        say(console, f"Told: {finding}")
    if expectations:
        met = sum(verdict["passed"] for verdict in expectations)
        console.print()
        say(console, f"Expectations: {met} of {len(expectations)} met", style="bold")
        _print_expectations(recording, expectations, console)
    console.print()
    say(console, "Energy audit", style="bold")
    for row in audit_rows(recording):
        say(console, row, hanging=4)
    say(console, audit_line(recording), hanging=4)
    console.print()
    limits = (limit_line(recording), state_line(recording), margin_line(recording))
    for row in (*limits, *power_lines(recording)):
        if row:
            say(console, row)
    for row in braking_lines(braking(recording)):
        say(console, row, hanging=4)
    for row in monitor_lines(getattr(recording, "monitor", None)):
        say(console, row, hanging=4)
    say(console, speed_line(recording))


def say(console, text, style="", hanging=2):
    """A line; in a terminal broken between words with a hanging indent, elsewhere whole, so that it can be searched."""
    lines = [text]
    if console.is_terminal:
        together = _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)
        lines = textwrap.wrap(
            together, max(console.width, 20), subsequent_indent=" " * hanging, break_long_words=False, break_on_hyphens=False
        )
    for line in lines:
        console.print(Text(line.replace("\N{NO-BREAK SPACE}", " "), style=style), soft_wrap=True)


def columns(rows, right=()):
    """(rows of texts, numbers of the columns that stand to the right) => lines without blanks at their ends."""
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))] if rows else []
    return [
        "  ".join(
            cell.rjust(width) if k in right else cell.ljust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in rows
    ]


def _print_expectations(recording, expectations, console):
    """A line or two a verdict: word first, then what was measured, value and limit; why not, where there is no value."""
    for verdict, lines in zip(expectations, expectation_lines(recording, expectations, console.width), strict=True):
        word, style = _VERDICTS[bool(verdict["passed"])]
        for k, line in enumerate(lines):
            text = Text(f"  {word if k == 0 else '':{_INDENT - 4}}  {line}")
            if k == 0:
                text.stylize(style, 2, 2 + len(word))
            console.print(text, soft_wrap=True)
        if verdict.get("reason"):
            say(console, " " * _INDENT + verdict["reason"], hanging=_INDENT)


def expectation_lines(recording, expectations, width):
    """(recording, verdicts, width of the terminal) => the lines of each, without the verdict's word.

    The window follows its measure where the terminal is wide enough, else it stands on a line of its own.
    """
    names = {signal: code_names(recording, signal) for signal in NAMED_CODES}
    measures = [measure_text(verdict) for verdict in expectations]
    windows = [window_text(verdict) for verdict in expectations]
    figures = columns(
        [
            (value_text(verdict, names.get(verdict["signal"])), limit_text(verdict["limit"], verdict_unit(verdict)))
            for verdict in expectations
        ],
        right=(0,),
    )
    room = width - _INDENT - 2 - max(len(line) for line in figures)
    least = [
        next((len(text) for text in (f"{measure}, {window}", measure) if len(text) <= room), len(window) + 2)
        for measure, window in zip(measures, windows, strict=True)
    ]
    wide = max(least)
    return [_stacked(*parts, wide) for parts in zip(measures, windows, figures, strict=True)]


def _stacked(measure, window, figures, wide):
    """Measure and window on one line, else the window below, with the figures where there is room for them."""
    if len(measure) + len(window) + 2 <= wide:
        return (f"{f'{measure}, {window}':{wide}}  {figures}",)
    if len(measure) <= wide:
        return f"{measure:{wide}}  {figures}", f"  {window}"
    return measure, f"{f'  {window}':{wide}}  {figures}"


def audit_rows(recording):
    """recording => lines of energies: in, out, each loss, change of what is stored, what is left unexplained."""
    audit = recording.audit
    energy_in = _finite(audit.get("energy_in_J"))
    rows = [("in", energy_in), ("out", _finite(audit.get("energy_out_J")))]
    losses = {name.replace("_", " "): _finite(joule) for name, joule in (audit.get("losses_J") or {}).items()}
    # Rounding of ideal devices is no loss.
    none = [name for name, joule in losses.items() if abs(joule) <= 1e-12 * max(energy_in, 1e-3)]
    rows += [(f"loss {name}", joule) for name, joule in losses.items() if name not in none]
    rows.append(("change of stored", _finite(audit.get("stored_J"))))
    rows.append(("unexplained", energy_in - sum(joule for _, joule in rows[1:])))
    told = [
        (f"  {name}", number(joule, "J"), _part(joule / energy_in) if energy_in > 0.0 and math.isfinite(joule) else "")
        for name, joule in rows
    ]
    return columns(told, right=(1, 2)) + ([f"  no loss: {', '.join(none)}"] if none else [])


def audit_line(recording):
    """recording => one line: residual, its aim, met or not, and the substeps that would do where the step is long."""
    verdict = audit_verdict(recording)
    residual = verdict["residual_relative"]
    if not math.isfinite(residual):
        return "  Audit residual: none was computed."
    line = f"  Audit residual {residual:.2e} of the largest energy, aim {verdict['aim']:.0e}: "
    line += "met." if verdict["met"] else "NOT MET."
    if verdict["met"]:
        return line
    if not verdict["substeps_that_would_do"]:
        line += " More solver steps (run.substeps) make it smaller."
    elif not verdict["step_too_long"]:
        line += f" run.substeps = {verdict['substeps_that_would_do']} should do."
    else:
        line += (
            f" The rotor turns up to {verdict['angle_per_step_rad']:.3g} rad (electrical) in a solver step;"
            f" run.substeps = {verdict['substeps_that_would_do']} would do."
        )
    return line


def limit_line(recording):
    """recording => one line: limits that bound, each with its share of time; "" where none was recorded."""
    if not limits_reported(recording):
        return f"Limit that binds: {NOT_REPORTED}." if "binding_limit" in recording.signals else ""
    found = [
        f"{'no limit' if name == 'none' else code_text(name)} ({share_text(share)})"
        for name, share in binding_shares(recording).items()
    ]
    return f"Limit that binds, share of time: {', '.join(found)}." if found else ""


def state_line(recording):
    """recording => one line: states with their share of time, "" where it was one all the time."""
    found = shares(recording, "state")
    told = ", ".join(f"{code_text(name)} {share_text(share)}" for name, share in found.items())
    return f"State, share of time: {told}." if len(found) > 1 else ""


def margin_line(recording):
    """recording => one line: the least voltage margin, when, and for how long it was negative; "" where none was."""
    text = margin_text(*lowest_voltage_margin(recording), negative_margin_share(recording))
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def power_lines(recording):
    """recording => lines on the power stage: losses, temperatures, worst turn-off; none where it was not reckoned with."""
    stage = power_stage(recording)
    if stage is None:
        return []
    parts = {name: stage[f"loss_{name}_mean_W"] for name in LOSSES}
    split = ", ".join(f"{name.replace('_', ' ')} {number(watts, 'W', 4)}" for name, watts in parts.items() if watts)
    lines = [f"Power stage: mean loss {number(sum(parts.values()), 'W', 4)} ({split})."] if split else []
    hottest = [f"junction {stage['junction_max_degC']:.4g}"]
    if recording.scenario.machine.heat is not None:
        hottest += [f"{node} {stage[f'{node}_max_degC']:.4g}" for node in ("winding", "magnet")]
    lines.append(f"Hottest: {', '.join(hottest)} degC.")
    turn_off = f"Worst turn-off: {number(stage['turn_off_peak_V'], 'V', 4)} over a device"
    if stage["turn_off_margin_V"] is not None:
        turn_off += f", {number(stage['turn_off_margin_V'], 'V', 3)} below its rated voltage"
    if stage["dv_dt_max_V_per_s"] is not None:
        turn_off += f"; {stage['dv_dt_max_V_per_s'] * 1e-9:.3g} V/ns at the terminals"
    return [*lines, f"{turn_off}."] if recording.scenario.inverter.gate_settings else lines


def speed_line(recording):
    """recording => one line: simulated and spent time, and the real-time factor of the stepping loop."""
    timing = getattr(recording, "timing", None) or {}
    simulated, wall = timing.get("simulated_s"), timing.get("wall_s")
    factor = timing.get("real_time_factor")
    if not (simulated and wall and factor):
        return "Simulated time unknown."
    line = f"{number(simulated, 's')} simulated in {number(wall, 's', 3)}: {number(factor, digits=3)} times real time"
    total = timing.get("total_s")
    return line + (f" ({number(total, 's', 3)} in all)." if total else ".")


def _part(share):
    """Share of the energy in, in percent; what is there is not shown as zero."""
    return "below 0.01 %" if 0.0 < abs(share) < 5e-5 else f"{100.0 * share:.2f} %"


def _finite(value):
    return math.nan if value is None else float(value)
