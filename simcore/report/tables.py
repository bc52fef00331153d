"""The terminal's tables: verdicts, energy audit, limits, speed. One function a table; no pictures."""

import math

from rich import box
from rich.table import Table
from rich.text import Text

from simcore.measure.audit import audit_verdict
from simcore.measure.limits import lowest_voltage_margin, shares
from simcore.report.wording import code_text, limit_text, measure_text, measured_unit, number, share_text, window_text


def print_report(recording, expectations, console):
    """(recording, verdicts of measure.judge, rich Console) => None. Prints every table that has something to say."""
    for finding in getattr(recording, "findings", ()) or ():
        console.print(Text(f"note: {finding}"), soft_wrap=True)
    if expectations:
        console.print(expectation_table(expectations))
        for verdict in expectations:
            if verdict.get("reason"):
                console.print(Text(f"{measure_text(verdict)}: {verdict['reason']}"), soft_wrap=True)
    console.print(audit_table(recording))
    console.print(Text(audit_line(recording)), soft_wrap=True)
    limits = limit_table(recording)
    if limits.row_count:
        console.print(limits)
    if margin_line(recording):
        console.print(Text(margin_line(recording)), soft_wrap=True)
    console.print(Text(speed_line(recording)), soft_wrap=True)


def _table(title):
    return Table(title=Text(title, style="bold"), title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)


def expectation_table(expectations):
    """verdicts => table of measure, window, value, limit, verdict; the verdict in words, colour only on top."""
    met = sum(verdict["passed"] for verdict in expectations)
    table = _table(f"Expectations: {met} of {len(expectations)} met")
    table.add_column("measure", overflow="fold", min_width=18)
    table.add_column("window", overflow="fold")
    table.add_column("value", justify="right", no_wrap=True)
    table.add_column("limit", overflow="fold")
    table.add_column("verdict", no_wrap=True)
    for verdict in expectations:
        unit = measured_unit(verdict["signal"], verdict["measure"])
        table.add_row(
            Text(measure_text(verdict)),
            Text(window_text(verdict)),
            Text(number(verdict["value"], unit)),
            Text(limit_text(verdict["limit"], unit)),
            Text("met", style="green") if verdict["passed"] else Text("NOT MET", style="bold red"),
        )
    return table


def audit_table(recording):
    """recording => table of energies [J]: in, out, each loss, change of what is stored, what is left unexplained."""
    audit = recording.audit
    table = _table("Energy audit")
    table.add_column("energy")
    table.add_column("J", justify="right", no_wrap=True)
    table.add_column("of in", justify="right", no_wrap=True)
    energy_in = _finite(audit.get("energy_in_J"))
    rows = [("in", energy_in), ("out", _finite(audit.get("energy_out_J")))]
    losses = {name.replace("_", " "): _finite(joule) for name, joule in (audit.get("losses_J") or {}).items()}
    # Rounding of ideal devices is no loss.
    none = [name for name, joule in losses.items() if abs(joule) <= 1e-12 * max(energy_in, 1e-3)]
    rows += [(f"loss {name}", joule) for name, joule in losses.items() if name not in none]
    rows.append(("change of stored", _finite(audit.get("stored_J"))))
    rows.append(("unexplained", energy_in - sum(joule for _, joule in rows[1:])))
    for name, joule in rows:
        part = _part(joule / energy_in) if energy_in > 0.0 and math.isfinite(joule) else ""
        table.add_row(Text(name), Text(number(joule)), Text(part))
    if none:
        table.caption = Text(f"no loss: {', '.join(none)}")
        table.caption_justify = "left"
    return table


def audit_line(recording):
    """recording => one line: residual, its aim, met or not, and the substeps that would do where the step is long."""
    verdict = audit_verdict(recording)
    residual = verdict["residual_relative"]
    if not math.isfinite(residual):
        return "Audit residual: none was computed."
    line = f"Audit residual {residual:.2e} of the largest energy, aim {verdict['aim']:.0e}: "
    line += "met." if verdict["met"] else "NOT MET."
    if verdict["substeps_that_would_do"] and not verdict["met"]:
        line += (
            f" The rotor turns up to {verdict['angle_per_step_rad']:.3g} rad (electrical) in a solver step;"
            f" run.substeps = {verdict['substeps_that_would_do']} would do."
        )
    return line


def limit_table(recording):
    """recording => table of limits that bound and states with their share of time."""
    table = _table("What limited the drive")
    table.add_column("limit or state")
    table.add_column("share of time", justify="right", no_wrap=True)
    for name, share in shares(recording, "binding_limit").items():
        table.add_row(Text("no limit" if name == "none" else code_text(name)), Text(share_text(share)))
    states = shares(recording, "state")
    if len(states) > 1:
        for name, share in states.items():
            table.add_row(Text(f"state: {code_text(name)}"), Text(share_text(share)))
    return table


def margin_line(recording):
    """recording => one line: the least voltage margin and when; "" where none was recorded."""
    margin, at_s = lowest_voltage_margin(recording)
    if not math.isfinite(margin):
        return ""
    told = ", the modulator clamped" if margin < 0.0 else ""
    return f"Least voltage margin {number(margin, 'V')} at {number(at_s, 's')}{told}."


def speed_line(recording):
    """recording => one line: simulated and spent time, and the real-time factor of the stepping loop."""
    timing = getattr(recording, "timing", None) or {}
    simulated, wall = timing.get("simulated_s"), timing.get("wall_s")
    factor = timing.get("real_time_factor")
    if not (simulated and wall and factor):
        return "Simulated time unknown."
    line = f"{number(simulated, 's')} simulated in {number(wall, 's')}: {number(factor, digits=3)} times real time"
    total = timing.get("total_s")
    return line + (f" ({number(total, 's', digits=3)} with all around it)." if total else ".")


def _part(share):
    """Share of the energy in, in percent; what is there is not shown as zero."""
    return "below 0.01 %" if 0.0 < abs(share) < 5e-5 else f"{100.0 * share:.2f} %"


def _finite(value):
    return math.nan if value is None else float(value)
