"""Reads a machine's flux map and hands it to the model."""

from simcore.scenario.errors import FileProblem, file_label
from simcore.scenario.machine import FluxMapMachine


def load_map(report, machine, at):
    """Read the map of a flux map machine; problems and findings go to the report."""
    if not isinstance(machine, FluxMapMachine) or "${" in machine.flux_map.file:
        # A variable that is not set is told already.
        return
    # numpy is imported only where a map is used.
    from simcore.scenario.fluxmap_csv import read_flux_map

    try:
        data = read_flux_map(machine.flux_map.file, machine.flux_map.columns.model_dump())
    except FileProblem as problem:
        report.problem((), problem.rule, problem.remedy, file=file_label(machine.flux_map.file))
        return
    machine._map_data = data
    told = [f"{file_label(machine.flux_map.file)}: {finding}" for finding in data.findings]
    report.findings.extend(f for f in told if f not in report.findings)
