"""Short drives with faults, run in every shell of the loop."""

import copy

import numpy as np
from shared_benches import BASE, merge

TICK_S = 50e-6  # 10 kHz carrier


def faulty_scenario(faults, **tables):
    """(list of [[fault]] tables, tables laid over the base; load and supply replace it) => Scenario."""
    from simcore.scenario.reader import scenario_from

    document = copy.deepcopy(BASE)
    for name, table in tables.items():
        fresh = name in ("load", "supply") or not isinstance(table, dict)
        document[name] = table if fresh else merge(document.get(name, {}), table)
    return scenario_from({**document, "fault": faults}, path="faulty.toml")


def run(faults, **tables):
    """(faults, tables) => Recording of the compiled run."""
    from simcore import Bench

    return Bench(faulty_scenario(faults, **tables)).run()


def equal(one, other):
    """True where two recordings hold the same signals to the last bit."""
    return all(np.array_equal(one[name], other[name], equal_nan=True) for name in one.signals)


def differs_from(one, other, signal):
    """First row at which a signal of two recordings differs; None where it never does."""
    apart = np.flatnonzero((one[signal] != other[signal]) & ~(np.isnan(one[signal]) & np.isnan(other[signal])))
    return int(apart[0]) if len(apart) else None
