"""Checks between tables. Each takes the tables that are right so far (None or absent: wrong) and the report."""

from simcore.scenario import (
    check_drive,
    check_faults,
    check_gate,
    check_heat,
    check_plant,
    check_power,
    check_records,
    check_safety,
    check_timing,
)


def check_everything(report, tables, belief):
    """Run every check whose tables are there. belief: the controller's machine where it differs, else None."""
    rooms = (
        check_timing, check_power, check_gate, check_heat, check_plant, check_drive, check_records, check_faults, check_safety,
    )  # fmt: skip
    for check in [check for room in rooms for check in room.CHECKS]:
        needed = [tables.get(name) for name in check.needs]
        if all(table is not None for table in needed):
            check(report, *needed)
    if belief is not None:
        check_power.time_constants(report, belief, ("controller", "machine"))
