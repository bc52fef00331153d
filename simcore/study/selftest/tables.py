"""What a self-test says in the terminal."""

from rich.text import Text

from simcore.report.tables import columns, say
from simcore.study.selftest.findings import OPEN, RIGHT, WRONG

_STYLES = {RIGHT: "green", WRONG: "bold red", OPEN: "yellow"}
_INDENT = 14


def print_self_test(scenario, controller, findings, with_sensors, console):
    """(scenario, controller, findings, were the sensors left in?, rich Console) => None."""
    say(console, f"{scenario.name}: {scenario.title}" if scenario.title else scenario.name, style="bold")
    sensors = "the scenario's sensors" if with_sensors else "ideal sensors"
    bench = f"{sensors}, ideal legs, stiff link of {scenario.supply.voltage_V:g} V"
    say(console, f"Self-test of {type(controller).__name__} on its machine: {bench}")
    console.print()
    judged = [one for one in findings if one.verdict != OPEN or one.found]
    texts = [(one.check, one.found, f"expected {one.expected}") for one in judged]
    wide = _INDENT + max(len(line) for line in columns(texts)) <= console.width if texts else True
    lines = columns(texts if wide else [text[:2] for text in texts])
    for one, line in zip(judged, lines, strict=True):
        _print(one, line, wide, console)
    for hint, checks in _not_judged(findings).items():
        say(console, f"  {OPEN:{_INDENT - 2}}{', '.join(checks)}: {hint}", hanging=_INDENT)
    console.print()
    say(console, summary(findings))


def _print(one, line, wide, console):
    text = Text(f"  {one.verdict:{_INDENT - 2}}{line}")
    text.stylize(_STYLES[one.verdict], 2, 2 + len(one.verdict))
    console.print(text, soft_wrap=True)
    if not wide and one.verdict != RIGHT:
        say(console, f"{'':{_INDENT}}expected {one.expected}", hanging=_INDENT)
    if one.hint:
        say(console, f"{'':{_INDENT}}{one.hint[:1].upper()}{one.hint[1:]}", hanging=_INDENT)


def _not_judged(findings):
    """Checks that could not be made, by what they wait for."""
    by_hint = {}
    for one in findings:
        if one.verdict == OPEN and not one.found:
            by_hint.setdefault(one.hint, []).append(one.check)
    return by_hint


def summary(findings):
    """findings => one sentence."""
    wrong = sum(one.verdict == WRONG for one in findings)
    opened = sum(one.verdict == OPEN for one in findings)
    told = f", {opened} not judged" if opened else ""
    head = f"{wrong} of {len(findings)} checks wrong" if wrong else f"No check wrong, {len(findings) - opened} right"
    return f"{head}{told}."
