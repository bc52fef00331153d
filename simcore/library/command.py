"""What `drybench parts` does: read every part that was asked for, print its numbers, or all of them as JSON."""

import json
import sys
from dataclasses import dataclass, field

from rich.console import Console
from rich.text import Text

from simcore.library.fields import field_rows, given_fields
from simcore.library.heat_numbers import machine_heat_lines, machine_heat_numbers
from simcore.library.inverter_numbers import inverter_lines, inverter_numbers
from simcore.library.shelves import SHELVES, find_entries, hidden_by
from simcore.library.supply_numbers import supply_lines, supply_numbers
from simcore.library.voltages import supply_voltages, voltage_for_inverter, voltage_for_machine
from simcore.library.wording import amount
from simcore.report.results import plain
from simcore.report.tables import columns, say
from simcore.scenario import ScenarioError
from simcore.scenario.errors import existing_text, file_label
from simcore.scenario.part_reader import read_part

DONE, WRONG_INPUT = 0, 2


@dataclass
class Shown:
    """A part with its numbers (None where it is wrong or incomplete) and its lines."""

    entry: object
    part: object = None
    numbers: dict | None = None
    lines: list = field(default_factory=list)
    problems: tuple = ()


def show_parts(wanted=None, *, voltage_V=None, hot_degC=120.0, as_json=False):
    """(kind, part or None for all; link voltage or None; hot winding temperature) => exit status."""
    try:
        entries = find_entries(wanted)
    except ScenarioError as error:
        print(error, file=sys.stderr, flush=True)
        return WRONG_INPUT
    supplies = supply_voltages() if voltage_V is None else []
    shown = [_show(entry, voltage_V, hot_degC, supplies) for entry in entries]
    for one in shown:
        for problem in one.problems:
            print(problem, file=sys.stderr, flush=True)
    if as_json:
        print(json.dumps([_told(one, entries) for one in shown], indent=2))
    else:
        _print(shown, wanted, entries)
    return WRONG_INPUT if any(one.problems for one in shown) else DONE


def _show(entry, voltage_V, hot_degC, supplies):
    shown = Shown(entry)
    try:
        shown.part = read_part(entry.file, entry.table)
    except ScenarioError as error:
        shown.problems = error.problems
        return shown
    if shown.part.model is not None:
        asked = None if voltage_V is None else (voltage_V, f"{amount(voltage_V, 'V')} as asked")
        shown.numbers, shown.lines = _numbers(entry.table, shown.part.model, asked, hot_degC, supplies)
    return shown


def _numbers(table, model, asked, hot_degC, supplies):
    """=> (numbers, lines) of a part of any table."""
    if table == "machine":
        # Operating points need numpy and scipy, which the other kinds do without.
        from simcore.library.machine_numbers import machine_numbers
        from simcore.library.machine_text import machine_lines

        numbers = machine_numbers(model, hot_degC, asked or voltage_for_machine(model, supplies))
        numbers["heat"] = machine_heat_numbers(model)
        warm = machine_heat_lines(numbers["heat"]) if numbers["heat"] else []
        return numbers, machine_lines(numbers) + [""] * bool(warm) + warm + _more(model)
    if table == "inverter":
        numbers = inverter_numbers(model, asked or voltage_for_inverter(model, supplies))
        return numbers, inverter_lines(model, numbers)
    if table == "supply":
        numbers = supply_numbers(model)
        return numbers, supply_lines(model, numbers)
    return {"fields": given_fields(model)}, columns([(f"  {key}", *rest) for key, *rest in field_rows(model)], right=(1,))


def _more(machine):
    """What a machine has besides its constants: iron loss, harmonics, cogging, heat."""
    known = {"iron_loss", "emf_harmonics", "cogging", "heat"}
    rows = field_rows(machine, skip=set(type(machine).model_fields) - known)
    return ["", "Besides", *columns([(f"  {key}", value, meaning) for key, value, meaning in rows], right=(1,))] if rows else []


def _description(file):
    """The first sentence of the comment at the top of a part; "" where there is none."""
    lines = existing_text(file).splitlines()
    count = next((k for k, line in enumerate(lines) if not line.startswith("#")), len(lines))
    text = " ".join(line.lstrip("# ") for line in lines[:count])
    return f"{text.partition('. ')[0].rstrip('.')}." if text else ""


def _told(one, entries):
    told = {
        "part": one.entry.name,
        "kind": one.entry.shelf,
        "place": "folder" if one.entry.own else "library",
        "hidden": hidden_by(one.entry, entries),
        "file": file_label(one.entry.file),
    }
    if one.problems:
        return told | {"problems": list(one.problems)}
    told |= {"name": getattr(one.part.model, "name", ""), "findings": list(one.part.findings)}
    if one.part.missing:
        return told | {"missing": list(one.part.missing)}
    return told | {"from_data_sheet": one.part.has_sheet, "numbers": plain(one.numbers)}


def _print(shown, wanted, entries):
    console = Console(highlight=False)
    for shelf in SHELVES:
        mine = [one for one in shown if one.entry.shelf == shelf]
        if mine:
            own = sum(one.entry.own for one in mine)
            counts = [f"{len(mine) - own} in the library"] * (own < len(mine)) + [f"{own} in this folder"] * (own > 0)
            say(console, f"{shelf.capitalize()}: {', '.join(counts)}", style="bold underline")
            console.print()
        for one in mine:
            _print_part(console, one, entries)
    if not shown:
        say(console, f"No {wanted or 'parts'}: neither in the library nor in this folder.")
    else:
        say(
            console,
            'A scenario takes a part by its name: part = "motors/hoist" in [machine], and keys written beside it override.',
        )


def _print_part(console, one, entries):
    entry = one.entry
    name = getattr(one.part.model, "name", "") if one.part else ""
    hidden = "  (hidden by the part of this name in this folder)" if hidden_by(entry, entries) else ""
    title = Text(entry.name, style="bold")
    title.append(f"  {name}" if name else "", style="not bold")
    title.append(f"  {file_label(entry.file)}{hidden}", style="not bold dim")
    console.print(title, soft_wrap=True)
    if one.problems:
        count = len(one.problems)
        say(console, f"  cannot be read: {count} problem{'s' * (count > 1)}, told on the error stream", hanging=2)
    else:
        for line in [_description(entry.file), *(f"Told: {finding}" for finding in one.part.findings)]:
            if line:
                say(console, f"  {line}", hanging=4)
        if one.part.missing:
            lacking = ", ".join(key.removeprefix(f"{entry.table}.") for key in one.part.missing)
            say(console, f"  incomplete on its own; a scenario must add {lacking}", hanging=4)
    if one.part and one.part.has_sheet:
        say(console, "  constants from its data sheet")
    for line in one.lines:
        # Rows of tables stay whole; what is one sentence is wrapped.
        if not line or "  " in line.strip():
            console.print(Text(f"  {line}".rstrip()), soft_wrap=True)
        else:
            say(console, f"  {line}", hanging=6)
    console.print()
