"""A map in the terminal: what was changed, how many points were reached, the best places, the envelope."""

import math

from simcore.report.tables import columns, say
from simcore.report.wording import number
from simcore.study.efficiency_map.columns import FAILED, OK, OUT_OF_REACH, UNSTEADY
from simcore.study.efficiency_map.efficiency import STAGES
from simcore.study.efficiency_map.files import best_of, limit_counts
from simcore.study.efficiency_map.load_points import rows
from simcore.study.efficiency_map.point import limit_text


def print_map(found, console):
    """(EfficiencyMap, rich Console) => None."""
    scenario = found.scenario
    say(console, f"{scenario.name}: {scenario.title}" if scenario.title else scenario.name, style="bold")
    for sentence in found.told:
        say(console, f"Told: {sentence}")
    for line in point_lines(found):
        say(console, line)
    console.print()
    for line in _best_lines(found):
        say(console, line)
    console.print()
    say(console, "Envelope", style="bold")
    for line in stretch_lines(found):
        say(console, line, hanging=4)
    if found.rated is not None:
        console.print()
        for k, line in enumerate(load_lines(found)):
            say(console, line, style="bold" if k == 0 else "")


def load_lines(found):
    """A line a load point of the standards: percents of speed and torque, losses in W, of rated power in percent."""
    speed_rpm, torque_Nm = found.rated
    yield f"Losses at the standards' load points, rated {number(speed_rpm, 'rpm')}, {number(torque_Nm, 'Nm')}"
    head = ("  standard", "speed %", "torque %", "inverter W", "machine W", "drive W", "of rated %", "")
    yield from columns([head, *(_load_row(row) for row in rows(found))], right=range(1, 7))


_LOAD_COLUMNS = ("loss_inverter_W", "loss_machine_W", "loss_drive_W", "loss_of_rated_percent")


def _load_row(row):
    losses = [number(row[name], "", 4) for name in _LOAD_COLUMNS]
    why = "" if row["status"] == OK else f"  {row['reason']}"
    return (f"  {row['standard']}", str(row["speed_percent"]), str(row["torque_percent"]), *losses, why)


def point_lines(found):
    """How many points, and what became of those without numbers."""
    speeds, torques = found.grid.speeds_rpm, found.grid.torques_Nm
    model = "switched" if found.switched else "averaged"
    yield (
        f"{len(found.points)} points, {range_text(speeds, 'rpm')} x {range_text(torques, 'Nm')}, {model}: "
        f"{len(found.of_status(OK))} steady"
    )
    if found.of_status(OUT_OF_REACH):
        parts = ", ".join(f"{name} {count}" for name, count in limit_counts(found).items())
        yield f"  {len(found.of_status(OUT_OF_REACH))} out of reach, by the limit that bound ({parts}): unreachable.csv"
    for status, words in ((UNSTEADY, "did not become steady"), (FAILED, "broke off")):
        if points := found.of_status(status):
            yield f"  {len(points)} {words}, first {place_text(points[0])}: {points[0].reason}"
    fixed = [p for p in found.measured if not math.isfinite(p.periods)]
    if fixed:
        yield f"  {len(fixed)} at standstill or too slow for a whole period: a fixed window at the scenario's angle"


def range_text(values, unit):
    """Ends and number of values."""
    if len(values) == 1:
        return number(values[0], unit)
    return f"{number(values[0])} to {number(values[-1], unit)} ({len(values)})"


def place_text(point):
    """MapPoint => "3000 rpm, 120 Nm"."""
    return f"{number(point.speed_rpm, 'rpm')}, {number(point.torque_Nm, 'Nm')}"


def _best_lines(found):
    rows = []
    for name in STAGES:
        best = best_of(found, name)
        told = ("none", "") if best is None else (
            f"{100.0 * best['efficiency']:.2f} %", f"{number(best['speed_rpm'], 'rpm')}, {number(best['torque_Nm'], 'Nm')}"
        )  # fmt: skip
        rows.append((f"  {name.removeprefix('efficiency_')}", *told))
    yield "Best efficiency"
    yield from columns(rows, right=(1,))


def stretch_lines(found):
    """A line a stretch of the envelope: direction, speeds, torques, the limit that forms it."""
    rows = [
        (
            f"  {side_text(stretch.direction)}", f"{number(stretch.from_rpm, '', 4)}",
            f"to {number(stretch.to_rpm, 'rpm', 4)}", f"{number(stretch.from_Nm, '', 4)}",
            f"to {number(stretch.to_Nm, 'Nm', 4)}", limit_text(stretch.limit),
        )
        for stretch in found.stretches
    ]  # fmt: skip
    return columns(rows, right=(1, 3))


def side_text(direction):
    """Sign of torque => words."""
    return "positive torque" if direction > 0 else "negative torque"
