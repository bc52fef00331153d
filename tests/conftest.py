"""Shared scenarios of the tests: plain dictionaries that a test deep-merges with what it changes."""

import copy
import os
from pathlib import Path

import pytest
from shared_benches import BASE, merge


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


# The verification table: one row for each number checked against the outside, under the heading of its test file.
_ROWS = {}
_BEGIN, _END = "<!-- verification: made by the test run -->", "<!-- end of verification -->"
_TOPICS = {
    "Machine and solver": ("test_machine_step", "test_solver"),
    "Shaft, link, temperature": ("test_shaft", "test_link", "test_temperature"),
    "Flux maps": ("test_fluxmap", "test_measured_map_loop"),
    "Modulation": (
        "test_modulation_limits", "test_overmodulation", "test_pwm_spectra", "test_modulators_in_the_loop",
        "test_scope_capture",
    ),  # fmt: skip
    "Link capacitor": ("test_link_capacitor",),
    "Dead time and switched legs": ("test_dead_time", "test_dead_time_compensation", "test_switched_circuit"),
    "Open-loop voltage source": ("test_open_loop",),
    "Conduction losses": ("test_devices",),
    "Losses and heat in the loop": ("test_inverter_losses", "test_heat_in_the_loop"),
    "Gates off and single legs": (
        "test_gates_off", "test_light_load_conduction", "test_uncontrolled_generation", "test_diodes_and_link",
        "test_broken_legs", "test_faults_of_each_leg", "test_empty_link",
    ),  # fmt: skip
    "Short circuits": ("test_short_circuits", "test_terminal_shorts", "test_monitor_entry", "test_monitor_reactions"),
    "Resolver and tracking loop": ("test_resolver",),
    "Current sensors and noise": ("test_current_sensors", "test_current", "test_noise"),
    "Current and speed loop": ("test_current_loop", "test_current_control", "test_speed_loop", "test_active_damping"),
    "Loop response": ("test_sampled_loop", "test_loop_margins", "test_voltage_error", "test_wanted"),
    "Data sheets and parts": ("test_winding_bases", "test_rated_points", "test_part_numbers"),
    "Loss formulas": ("test_loss_formulas", "test_quay_inverter"),
    "Thermal networks": ("test_thermal_networks",),
    "Operating points": ("test_operating_points", "test_operating_points_loop"),
    "Energy": ("test_invariants",),
    "Iron loss, harmonics, cogging": ("test_detail", "test_iron_loss_separation", "test_emf_spectrum"),
    "Vehicle and elastic shaft": ("test_coast_down", "test_shaft_resonance"),
    "Mains, chopper, battery, braking": ("test_mains_and_battery", "test_braking_limit", "test_braking_energy"),
    "Efficiency map": ("test_efficiency_map", "test_efficiency_map_heat"),
    "Drive cycles and what they are worth": ("test_cycles", "test_cycle_energy", "test_worth"),
    "Self-test and alignment": ("test_selftest", "test_alignment"),
    "Faults": ("test_faults_of_sensors", "test_faults_of_the_drive", "test_faults_of_heat", "test_faults_of_the_inverter"),
    "Tolerance studies": ("test_study_statistics", "test_tolerance_study"),
    "Cases from practice": (
        "test_angle_cases", "test_limit_cases", "test_shorted_cases", "test_encoder_cases", "test_braking_cases",
    ),  # fmt: skip
}
_NOTES = {
    "Operating points": """Machines, amplitude-invariant: A 2 pole pairs, 0.57 ohm, 8.72/22.8 mH, 87.9 mWb, 7.07 A, 70.7 V
phase peak (Morimoto, Sanada, Takeda, 1994 [M], converted from power-invariant figures); B 3 pole pairs, 1.4 ohm, 5.6/9.0 mH,
154.6 mWb, 10 A (Krishnan's textbook [M]); D 4 pole pairs, 10 mohm, 0.25 mH, 60 mWb, 300 A, 400 V link; E 4 pole pairs,
10 mohm, 0.2/0.6 mH, 70 mWb, 400 A, 400 V link (D and E invented). In closed loop: where the running drive settles.""",
}
_ORDER = [stem for stems in _TOPICS.values() for stem in stems]


def pytest_addoption(parser):
    parser.addoption("--write-verification", action="store_true", help="write the verification table into README.md")


@pytest.fixture
def verified(request):
    """verified(what, source, expected, measured, tolerance, unit="") asserts |measured - expected| <= tolerance, keeps the row.

    expected comes from `source`, never from the code under test; tolerance is absolute, in the same unit. Of several checks
    with the same words and the same expected value (directions, legs, models) the farthest off is kept. row=False: no row.
    """

    def check(what, source, expected, measured, tolerance, unit="", row=True):
        assert "|" not in what + source + unit, f"{what}: no pipes in a table"
        expected, measured = float(expected), float(measured)
        assert abs(measured - expected) <= tolerance, f"{what}: expected {expected} {unit}, got {measured} ({source})"
        key = (request.path.stem, what, source, unit, f"{expected:.9g}")
        if not row:
            return
        if key not in _ROWS or abs(measured - expected) > abs(_ROWS[key][1] - _ROWS[key][0]):
            _ROWS[key] = (expected, measured)

    return check


def _number(value):
    return f"{value:.6g}".replace("e-0", "e-").replace("e+0", "e")


def _pair(expected, measured, unit):
    """=> (expected, measured, error) as text; the error is relative unless 0 is expected."""
    difference = measured - expected
    if expected == 0.0:
        shown = f"{measured:.2g}".replace("e-0", "e-") if abs(measured) > 1e-9 else "< 1e-9"
        return f"0 {unit}", f"{shown} {unit}", "-"
    percent = 100.0 * difference / expected
    error = "< 0.0001 %" if abs(percent) < 1e-4 else f"{percent:+.1g} %" if abs(percent) < 0.1 else f"{percent:+.2f} %"
    return f"{_number(expected)} {unit}", f"{_number(measured)} {unit}", error


def _table():
    """Rows by topic, in the order in which the tests made them, each topic folded under what it comes to."""
    lines = []
    for topic, stems in [*_TOPICS.items(), ("Not yet sorted", sorted({key[0] for key in _ROWS} - set(_ORDER)))]:
        rows = [(key, pair) for stem in stems for key, pair in _ROWS.items() if key[0] == stem]
        if not rows:
            continue
        farthest = max(abs(b / a - 1.0) if a else 0.0 for _, (a, b) in rows)
        lines += [f"<details><summary>{topic}: {len(rows)} numbers, farthest {100.0 * farthest:.2g} % off</summary>", ""]
        lines += [_NOTES[topic], ""] if topic in _NOTES else []
        lines += ["| what | source | expected | found | error |", "|---|---|---|---|---|"]
        for (_, what, source, unit, _), (expected, measured) in rows:
            expected, measured, error = _pair(expected, measured, unit)
            lines.append(f"| {what} | {source} | {expected.rstrip()} | {measured.rstrip()} | {error} |")
        lines += ["", "</details>", ""]
    return "\n".join(lines).rstrip()


def pytest_sessionfinish(session):
    if not session.config.getoption("--write-verification") or not _ROWS:
        return
    if session.testsfailed:
        print("\nREADME.md keeps its verification table: not all tests passed.")
        return
    readme = Path(__file__).resolve().parent.parent / "README.md"
    before, rest = readme.read_text().split(_BEGIN)
    after = rest.split(_END)[1]
    readme.write_text(f"{before}{_BEGIN}\n\n{_table()}\n\n{_END}{after}")
