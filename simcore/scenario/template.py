"""[template]: one file that stands for several scenarios, each with values of its own for some keys.

A table gives each key a list of values, and every combination is a scenario; a list of tables, [[template]], gives each
scenario its values, and a name if it likes. Keys are dotted, in quotes or not.
"""

import itertools
import re
from dataclasses import dataclass
from typing import Any

from simcore.scenario import index
from simcore.scenario.errors import DEEPEST, did_you_mean, one_of, place, show
from simcore.scenario.merge import Assignment, Override, OverrideError

TemplateField = dict[str, Any] | tuple[dict[str, Any], ...]
MOST_CASES = 1000
_EXAMPLE = 'Write, for example, "load.speed_rpm" = [1000, 3000]'
_NOT_IN_NAMES = re.compile(r"[^A-Za-z0-9._+=-]+")
_LONGEST_NAME = 120
_PATHS = ("part", "class", "file")


@dataclass(frozen=True)
class Case:
    """One scenario of a template: its name ("" where the file is no template) and the values it lays over the file."""

    name: str = ""
    assignments: tuple[Assignment, ...] = ()
    label: str = ""


def cases_of(report, overrides=()) -> list[Case]:
    """(report with the file's document, texts of --set) => its cases, one without a name where it is no template.

    Takes the template out of the document. Raises ScenarioError for a template that cannot be used.
    """
    read = list(_readable(overrides))
    wanted, changes = None, {}
    for override in read:
        if override.location == ("template",) and isinstance(override.value, str):
            wanted = override
        elif override.location == ("template",):
            report.document["template"] = override.value
        elif override.location[0] == "template":
            changes[override.location[1:]] = override.value
    template = report.document.get("template", {})
    if template in ({}, []) and not changes:
        if wanted is not None:
            report.problem((), f"is no template: there is no case {show(wanted.value)} to choose", "Leave --set template out")
        cases = [Case()]
    else:
        fixed = [override.location for override in read if override.location[0] != "template"]
        cases = _named(report, [(name, _without(values, fixed)) for name, values in _rows(report, template, changes)])
        if wanted is not None:
            cases = _chosen(report, cases, wanted)
    report.stop_on_problems()
    report.document.pop("template", None)
    return cases


def refuse_several(report, cases):
    """Raise the sentence for a template where one scenario is needed."""
    names = [case.name for case in cases]
    listed = ", ".join(names[:6]) + (", ..." if len(names) > 6 else "")
    report.problem(
        ("template",), f"the file stands for {len(cases)} scenarios ({listed}) and one is needed",
        f"Choose one: --set 'template=\"{names[0]}\"', or read all with load_scenarios",
    )  # fmt: skip
    report.stop_on_problems()


def _readable(overrides):
    for text in overrides:
        try:
            yield Override(str(text))
        except OverrideError:
            # Told when the overrides are laid over the document.
            continue


def _rows(report, template, changes):
    """(table or list of tables, {location: values} that --set gives) => list of (name or None, {location: value})."""
    if isinstance(template, dict):
        columns = {**_flat(report, template, ("template",)), **changes}
        for location, values in columns.items():
            if not isinstance(values, list) or not values:
                told = f"must list the values of {place(location)}, one a scenario"
                report.problem(("template", place(location)), told, f"{_EXAMPLE}; [[template]] gives each scenario its own")
        report.stop_on_problems()
        count = 1
        for values in columns.values():
            count *= len(values)
        _refuse_too_many(report, count)
        return [(None, dict(zip(columns, values, strict=True))) for values in itertools.product(*columns.values())]
    if not isinstance(template, list) or not all(isinstance(row, dict) for row in template):
        report.problem(("template",), "must be a table of lists, or a list of tables", _EXAMPLE)
        report.stop_on_problems()
    if changes:
        report.problem(("template",), "is a list of tables: --set cannot change one key of it", "Choose a case, or set the key")
    _refuse_too_many(report, len(template))
    rows = []
    for k, row in enumerate(template):
        name = row.get("name")
        if name is not None and (not isinstance(name, str) or not name.strip()):
            report.problem(("template", k, "name"), "must be text", "Name the scenario by a word, or leave name out")
            name = None
        values = _flat(report, {key: value for key, value in row.items() if key != "name"}, ("template", k))
        if not values:
            report.problem(("template", k), "gives no value", 'Write, for example, "load.speed_rpm" = 1000 below [[template]]')
        rows.append((name, values))
    report.stop_on_problems()
    return rows


def _refuse_too_many(report, count):
    if count > MOST_CASES:
        report.problem(("template",), f"stands for {count} scenarios, more than {MOST_CASES}", "List fewer values")
        report.stop_on_problems()


def _flat(report, table, at):
    """Nested or dotted keys => {location: value}; what is no table of the language is a value, whatever it holds."""
    found = {}
    for key, value in table.items():
        _add(report, found, tuple(part.strip() for part in key.split(".")), value, at)
    return found


def _add(report, found, location, value, at):
    where = (*at, place(location))
    if len(location) > DEEPEST or not all(location):
        return report.problem(where, "is not a dotted key", _EXAMPLE)
    if location[0] in ("template", "base"):
        return report.problem(where, f"{location[0]} cannot be varied", "Leave it out")
    plain = index.table_path([int(part) if part.isdigit() else part for part in location])
    if isinstance(value, dict) and (plain in index.tables() or plain == ("controller", "tuning")):
        for key, inner in value.items():
            _add(report, found, (*location, *(part.strip() for part in key.split("."))), inner, at)
    elif location in found:
        report.problem(where, "stands there twice", "Keep one of them")
    else:
        found[location] = value


def _without(values, fixed):
    """Values of a case less those that --set gives itself."""
    return {at: value for at, value in values.items() if not any(_meet(at, other) for other in fixed)}


def _meet(one, other):
    least = min(len(one), len(other))
    return one[:least] == other[:least]


def _named(report, rows):
    """[(name or None, {location: value})] => cases; their names are files' names too, each once.

    Rows that --set has made equal are one.
    """
    rows = [row for k, row in enumerate(rows) if row not in rows[:k]]
    short = _short_keys({location for _, values in rows for location in values})
    cases, seen = [], set()
    for number, (given, values) in enumerate(rows, start=1):
        told = ",".join(_clean(f"{short[at]}={_label(value, number)}") for at, value in values.items())
        name = _clean(given) if given else told[:_LONGEST_NAME]
        if name in seen and given:
            report.problem(("template", number - 1, "name"), "names a second scenario so", "Name each once")
        if name in seen:
            name = f"{name},{number}"
        seen.add(name)
        label = f"{report.file} [{name}]" if name else report.file
        made = [Assignment(f"{label}: {place(at)}", at, _plain(at, value)) for at, value in values.items()]
        cases.append(Case(name, tuple(made), label))
    return cases


def _clean(text):
    return _NOT_IN_NAMES.sub("_", text).strip(".") or "_"


def _plain(location, value):
    """Only paths keep their memory of the folder that they count from."""
    return value if location[-1] in _PATHS or not isinstance(value, str) else str(value)


def _short_keys(locations):
    """Location => its last words, as few as tell the keys of the template apart."""
    short = {}
    for location in locations:
        for count in range(1, len(location) + 1):
            end = location[-count:]
            if sum(other[-count:] == end for other in locations) == 1 and not end[0].isdigit():
                break
        short[location] = ".".join(end)
    return short


def _label(value, number):
    """A value as a part of a name; lists and tables have none and count by their scenario's number."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return f"{value:g}" if float(f"{value:g}") == value else repr(value)
    return value if isinstance(value, str) and len(value) <= 40 else str(number)


def _chosen(report, cases, wanted):
    found = [case for case in cases if case.name == wanted.value]
    if not found:
        names = [case.name for case in cases]
        remedy = did_you_mean(wanted.value, names, f"Known are {one_of(names[:12])}")
        report.problem(("template",), f"there is no scenario {show(wanted.value)}", remedy)
    return found
