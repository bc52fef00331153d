"""Shared scenarios of the tests: plain dictionaries that a test deep-merges with what it changes."""

import copy
import os
from pathlib import Path

import pytest

# Published regression machines in amplitude-invariant (peak) figures; see tests/reference for their sources.
MACHINE_D = {
    "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.010, "inductance_d_H": 0.25e-3,
    "inductance_q_H": 0.25e-3, "magnet_flux_Wb": 0.06, "max_current_A": 300, "max_speed_rpm": 20000,
}  # fmt: skip
MACHINE_E = {
    "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.010, "inductance_d_H": 0.2e-3,
    "inductance_q_H": 0.6e-3, "magnet_flux_Wb": 0.07, "max_current_A": 400, "max_speed_rpm": 20000,
}  # fmt: skip


def merge(base, change):
    """(dict, dict) => deep-merged copy; lists and plain values are replaced."""
    merged = copy.deepcopy(base)
    for key, value in change.items():
        if isinstance(value, dict) and isinstance(merged.get(key), dict):
            merged[key] = merge(merged[key], value)
        else:
            merged[key] = copy.deepcopy(value)
    return merged


BASE = {
    "machine": MACHINE_E,
    "inverter": {"switching_frequency_Hz": 10000},
    "supply": {"kind": "source", "voltage_V": 400},
    "load": {"kind": "rig", "speed_rpm": 1000},
    "controller": {"mode": "current", "tuning": {"current_bandwidth_Hz": 500}},
    "commands": {"id_A": 0.0, "iq_A": 0.0},
    "run": {"duration_s": 0.05, "record_every": 1},
}


@pytest.fixture
def make_scenario():
    """make_scenario(machine={...}, load={...}, ...) => Scenario from BASE with the given tables merged in.

    A table given with `replace=True` inside replaces the base's table.
    """
    from simcore.scenario.reader import scenario_from

    def make(**tables):
        document = copy.deepcopy(BASE)
        for name, table in tables.items():
            if isinstance(table, dict) and table.get("replace"):
                document[name] = {k: v for k, v in table.items() if k != "replace"}
            elif isinstance(table, dict):
                document[name] = merge(document.get(name, {}), table)
            else:
                document[name] = table
        return scenario_from(document, path="test.toml")

    return make


@pytest.fixture
def run_scenario(make_scenario):
    """run_scenario(controller=..., **tables) => Recording; `instance=` hands over a controller object."""
    from simcore import Bench

    def run(instance=None, **tables):
        return Bench(make_scenario(**tables), controller=instance).run()

    return run


@pytest.fixture(scope="session")
def outside_data():
    """Folder of the outside data; the test is skipped aloud where it is absent."""
    default = Path(__file__).resolve().parent.parent.parent / "shared" / "data"
    folder = Path(os.environ.get("DRYBENCH_OUTSIDE_DATA", default))
    if not folder.is_dir():
        pytest.skip(f"outside data not found in {folder} (set DRYBENCH_OUTSIDE_DATA)")
    return folder


# The verification table: what, source, expected, measured, error - one row for each number checked against the outside.
_ROWS = []
_BEGIN, _END = "<!-- verification: made by the test run -->", "<!-- end of verification -->"


def pytest_addoption(parser):
    parser.addoption("--write-verification", action="store_true", help="write the verification table into README.md")


@pytest.fixture
def verified(request):
    """verified(what, source, expected, measured, tolerance, unit="") asserts |measured - expected| <= tolerance, keeps the row.

    expected comes from `source`, never from the code under test; tolerance is absolute, in the same unit.
    """

    def check(what, source, expected, measured, tolerance, unit=""):
        _ROWS.append((request.node.nodeid, what, source, float(expected), float(measured), unit))
        assert abs(measured - expected) <= tolerance, f"{what}: expected {expected} {unit}, got {measured} ({source})"

    return check


def _number(value):
    text = f"{value:.6g}"
    return text.replace("e-0", "e-").replace("e+0", "e")


def _table():
    lines = ["| what | source | expected | measured | error |", "|---|---|---|---|---|"]
    for _, what, source, expected, measured, unit in sorted(_ROWS):
        error = f"{100.0 * (measured - expected) / abs(expected):+.2g} %" if expected else f"{measured - expected:+.2g}"
        pair = f"{_number(expected)} {unit} | {_number(measured)} {unit}".replace("  ", " ").replace(" |", " |").rstrip()
        lines.append(f"| {what} | {source} | {pair} | {error} |")
    return "\n".join(lines)


def pytest_sessionfinish(session):
    if not session.config.getoption("--write-verification") or not _ROWS:
        return
    readme = Path(__file__).resolve().parent.parent / "README.md"
    before, rest = readme.read_text().split(_BEGIN)
    after = rest.split(_END)[1]
    readme.write_text(f"{before}{_BEGIN}\n\n{_table()}\n\n{_END}{after}")
