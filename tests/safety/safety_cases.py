"""A monitored drive on the bench: plain dictionaries, and unit calls of the monitor's kernels without compiling them."""

import numpy as np
from shared_benches import BASE, merge

from simcore import Bench
from simcore.loop.fill_safety import begin_monitor
from simcore.safety.monitor_records import CHECKS, MONITOR, SAFETY
from simcore.scenario.reader import scenario_from

# Machine E of tests/shared_benches.py.
R, LD, LQ, PSI, P = 0.010, 0.2e-3, 0.6e-3, 0.07, 4


def scenario(**tables):
    """BASE (machine E at 1000 rpm, current mode, 400 V, 50 us an update) with the given tables merged in."""
    document = BASE
    for name, table in tables.items():
        if isinstance(table, dict) and table.get("replace"):
            document = {**document, name: {k: v for k, v in table.items() if k != "replace"}}
        else:
            document = merge(document, {name: table})
    return scenario_from(document, path="monitored.toml")


def run(instance=None, in_python=False, **tables):
    """=> Recording of such a drive."""
    return Bench(scenario(**tables), controller=instance).run(in_python=in_python)


def trip(recording, check):
    """=> the trip of a check, None where it did not trip."""
    return next((trip for trip in recording.monitor["trips"] if trip["check"] == check), None)


def blank_records(**checks):
    """(check = {"limit": ..., "samples": ..., ...}) => SAFETY and MONITOR records with these on, for plain Python."""
    safety, monitor = np.zeros(1, SAFETY).view(np.recarray), np.zeros(1, MONITOR).view(np.recarray)
    begin_monitor(monitor[0])
    safety["active"], safety["share_step"] = 1, 1.0
    for name, fields in checks.items():
        own = safety[0]["checks"][CHECKS.index(name)]
        own["on"], own["samples"], own["latching"] = 1, 1, 1
        for field, value in fields.items():
            own[field] = value
    return safety[0], monitor[0]
