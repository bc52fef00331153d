"""Reads a machine's flux map and hands it to the model."""

import os
from functools import lru_cache

from simcore.scenario.errors import FileProblem, file_label
from simcore.scenario.machine import FluxMapMachine


def load_map(report, machine, at):
    """Read the map of a flux map machine; problems and findings go to the report."""
    if not isinstance(machine, FluxMapMachine) or "${" in machine.flux_map.file:
        # A variable that is not set is told already.
        return
    try:
        data = _read_once(machine.flux_map.file, tuple(machine.flux_map.columns.model_dump().items()), _stamp(machine))
    except FileProblem as problem:
        report.problem((), problem.rule, problem.remedy, file=file_label(machine.flux_map.file))
        return
    machine._map_data = data
    told = [f"{file_label(machine.flux_map.file)}: {finding}" for finding in data.findings]
    report.findings.extend(f for f in told if f not in report.findings)


def _stamp(machine):
    """What changes when the file does; None where it cannot be looked at, which reading then tells."""
    try:
        seen = os.stat(machine.flux_map.file)
    except (OSError, ValueError):
        return None
    return seen.st_mtime_ns, seen.st_size, seen.st_ino


@lru_cache(maxsize=8)
def _read_once(file, columns, _stamp):
    """Many scenarios of one machine share one map, and so the tables that are made of it."""
    # numpy is imported only where a map is used.
    from simcore.scenario.fluxmap_csv import read_flux_map

    return read_flux_map(file, dict(columns))
