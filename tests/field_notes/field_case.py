"""Scenarios of the cases in this folder: a plain drive, changed by what the case gives."""

from simcore import Bench
from simcore.scenario.reader import scenario_from

# Round figures of a traction machine (invented), equal inductances unless a case says otherwise.
MACHINE = {
    "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.25e-3, "inductance_q_H": 0.25e-3,
    "magnet_flux_Wb": 0.06, "max_current_A": 300, "max_speed_rpm": 20000,
}  # fmt: skip
DRIVE = {
    "machine": MACHINE,
    "inverter": {"switching_frequency_Hz": 10000},
    "supply": {"kind": "source", "voltage_V": 400},
    "load": {"kind": "rig", "speed_rpm": 1000},
    "controller": {"mode": "current", "tuning": {"current_bandwidth_Hz": 500}},
    "commands": {"id_A": 0.0, "iq_A": 0.0},
    "run": {"duration_s": 0.05},
}


def run_case(instance=None, **tables):
    """Tables laid over DRIVE (load, commands and another kind replace theirs); `instance=` is a controller => Recording."""
    document = {name: dict(table) for name, table in DRIVE.items()}
    for name, table in tables.items():
        fresh = name in ("load", "commands", "scope") or name not in document
        fresh = fresh or table.get("kind", document[name].get("kind")) != document[name].get("kind") or "data_sheet" in table
        document[name] = table if fresh else {**document[name], **table}
    return Bench(scenario_from(document, path="case.toml"), controller=instance).run()
