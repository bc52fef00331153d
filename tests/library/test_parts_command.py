"""`drybench parts` as a user meets it: what is listed, from where, what is printed, which exit status."""

import json
import re

import pytest
from click.testing import CliRunner

from simcore.cli import main
from simcore.scenario.parts import library, shipped_parts

SHEET = """\
# Winch of a test; nobody's.
name = "test winch"
kind = "constants"
max_current_A = 400
max_speed_rpm = 20000
[data_sheet]
poles = 8
resistance_ohm.line_line = 0.020
inductance_H.line_line_min = 0.4e-3
inductance_H.line_line_max = 1.2e-3
emf_constant_V_per_krpm.line_line_rms = 35.9114
torque_constant_Nm_per_A.rms = 0.60
"""


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    """An empty current folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def parts(*args):
    """=> (exit status, standard output, error stream)."""
    result = CliRunner().invoke(main, ["parts", *map(str, args)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def put(folder, name, text):
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)


def told(*args):
    status, out, err = parts(*args, "--json")
    assert (status, err) == (0, "")
    return {entry["part"]: entry for entry in json.loads(out)}


def test_every_part_of_the_library_is_shown_with_its_numbers():
    status, out, err = parts()
    assert (status, err) == (0, "")
    for name in shipped_parts():
        assert f"\n{name}  " in out, name
    assert "Motors: " in out and "Inverters: " in out and "Supplies: " in out and "in this folder" not in out
    assert all(line == line.rstrip() for line in out.splitlines())
    assert out.count("base: the most torque") == sum(name.startswith("motors/") for name in shipped_parts())
    assert not re.search(r"\b(nan|inf|None|True|False)\b", out)


def test_a_kind_shows_its_own_and_a_name_one_part():
    _, out, _ = parts("supplies")
    assert "Motors" not in out and "supplies/quay_560v" in out and "short-circuit current" in out
    _, out, _ = parts("motors/hoist")
    assert out.count("characteristic current psi/Ld") == 1 and "Motors: 1 in the library" in out


def test_a_machine_is_shown_in_all_usual_units():
    # Machine E at 400 V; its figures are checked in test_part_numbers.py.
    _, out, _ = parts("motors/regression_e", "--voltage", "400")
    for words in (
        "4 pole pairs, 8 poles; up to 400 A peak = 282.8 A rms and 20000 rpm",
        "resistance at 120 degC  13.65 mohm  27.31 mohm",
        "inductance Lq               0.6 mH      1.2 mH",
        "flux linkage psi: 70 mWb phase peak, 49.5 mWb phase rms, 85.73 mWb in power-invariant scaling",
        "most torque 318.7 Nm at 400 A peak: id = -242.5 A, iq = 318.1 A",
        "characteristic current psi/Ld 350 A peak, below the current limit",
        "third_harmonic, svpwm  230.9 V  2836   (2870)  7876  none  16300",
        "link voltage: 400 V as asked",
        "MTPV: from here on maximum torque per volt binds, 74.34 Nm with id = -396.3 A, iq = 54.22 A",
        "gates off: above 7876 rpm the line-line EMF exceeds the link",
    ):
        assert words in out, words


def test_machines_without_mtpv_and_with_a_map_say_so():
    _, out, _ = parts("motors/hoist")
    assert (
        "MTPV: no region of maximum torque per volt" in out
        and "last: loaded ceiling: all of the 135 A" in out
        and "not below the current limit" in out
    )
    _, out, _ = parts("motors/yard_tractor")
    assert "zero current, incremental" in out and "most torque, flux over current" in out and "at zero current:" in out


@pytest.mark.parametrize(
    ("name", "volt"),
    [("motors/bilge_pump", 48.0), ("motors/hoist", 560.0), ("motors/yard_tractor", 700.0), ("motors/regression_e", 808.0)],
)
def test_the_voltage_is_that_of_a_fitting_supply(name, volt):
    speeds = told(name)[name]["numbers"]["speeds"]
    assert speeds["link_voltage_V"] == volt and "supplies/" in speeds["from"]
    assert ("the EMF exceeds it" in speeds["from"]) == (name == "motors/regression_e")


@pytest.mark.parametrize(("name", "volt"), [("inverters/mosfet_48v", 48.0), ("inverters/sic_800v", 808.0)])
def test_dead_time_is_shown_at_a_supply_within_the_devices_rating(name, volt):
    # Within 80 % of the blocking voltage: 80 V and 960 V.
    assert told(name)[name]["numbers"]["dead_time"]["link_voltage_V"] == volt


def test_parts_of_the_folder_stand_first_and_hide_those_of_the_library(folder):
    put(folder, "motors/hoist.toml", SHEET)
    put(folder, "parts/supplies/own.toml", "voltage_V = 96\nresistance_ohm = 0.01\n")
    put(folder, "loose.toml", "switching_frequency_Hz = 16000\ndead_time_s = 1e-6\n")
    put(folder, "scenario.toml", "[machine]\npart = 'motors/hoist'\n[run]\nduration_s = 1\n")
    put(folder, "broken.toml", "x = [")
    status, out, err = parts()
    assert (status, err) == (0, "")
    assert "Motors: " in out and "1 in this folder" in out and "parts/supplies/own" in out and "\nloose  loose.toml" in out
    assert "scenario.toml" not in out and "broken" not in out
    assert out.index("motors/hoist  test winch") < out.index("motors/hoist  hoist")
    assert out.count("(hidden by the part of this name in this folder)") == 1
    assert "constants from its data sheet" in out
    assert "Told: motors/hoist.toml: machine.data_sheet.torque_constant_Nm_per_A.rms = 0.6: gives 0.07071 Wb" in out
    one = told("parts/supplies/own")["parts/supplies/own"]
    assert (one["place"], one["kind"], one["numbers"]["short_circuit_current_A"]) == ("folder", "supplies", pytest.approx(9600))
    assert told("loose.toml")["loose"]["kind"] == "inverters"
    entries = json.loads(parts("motors", "--json")[1])
    assert [(e["place"], e["hidden"]) for e in entries if e["part"] == "motors/hoist"] == [("folder", False), ("library", True)]


def test_the_folder_of_the_shipped_scenarios_shows_the_library_once(monkeypatch):
    monkeypatch.chdir(library().parent)
    _, out, _ = parts("motors")
    assert "in this folder" not in out and out.count("\nmotors/hoist  ") == 1


def test_a_wrong_part_is_told_and_the_others_are_shown(folder):
    put(folder, "motors/bad.toml", SHEET.replace("line_line_rms = 35.9114", "line_line_peak = 35.9114"))
    status, out, err = parts("motors")
    assert status == 2 and "motors/hoist  hoist" in out and "cannot be read: 1 problem, told on the error stream" in out
    assert err.startswith("motors/bad.toml: machine.data_sheet.torque_constant_Nm_per_A.rms = 0.6: contradicts")
    assert err.count("\n") == 1
    status, out, _ = parts("motors", "--json")
    (bad,) = [entry for entry in json.loads(out) if entry["part"] == "motors/bad"]
    assert status == 2 and "contradicts" in bad["problems"][0] and "numbers" not in bad


def test_an_incomplete_part_is_no_fault(folder):
    put(folder, "inverters/small.toml", "dead_time_s = 1e-6\n")
    put(folder, "motors/sheet.toml", SHEET.replace("max_speed_rpm = 20000\n", ""))
    status, out, err = parts()
    assert (status, err) == (0, "")
    assert "incomplete on its own; a scenario must add switching_frequency_Hz\n" in out
    assert "incomplete on its own; a scenario must add max_speed_rpm\n" in out
    assert told("inverters/small")["inverters/small"]["missing"] == ["inverter.switching_frequency_Hz"]


def test_a_part_that_starts_from_another_and_one_of_another_shelf(folder):
    put(folder, "motors/base.toml", SHEET)
    put(folder, "motors/long.toml", 'base = "base.toml"\nname = "longer"\nmax_current_A = 500\n')
    assert told("motors/long")["motors/long"]["numbers"]["max_current_A"]["peak"] == 500
    put(folder, "motors/astray.toml", "voltage_V = 5\nresistance_ohm = 1\n")
    status, _, err = parts("motors/astray")
    assert status == 2 and "motors/astray.toml" in err and "holds keys of [supply]" in err


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["moters"], 'parts: "moters" is no kind of part and no part. Did you mean "motors"'),
        (["zzz"], 'Kinds are "motors", "inverters"'),
        (["motors/hoists"], 'Did you mean "motors/hoist"'),
        (["a\0b"], "is no kind of part and no part"),
        (["motors", "--voltage", "nan"], "--voltage: must be above 0, at most 100000"),
        (["motors", "--voltage", "-3"], "--voltage: must be above 0"),
        (["motors", "--hot", "900"], "--hot: must be above -60, at most 400"),
    ],
)
def test_what_cannot_be_shown_gets_a_sentence(args, words):
    status, out, err = parts(*args)
    assert status == 2 and out == "" and words in err


def test_a_kind_without_parts_says_so():
    status, out, err = (
        parts("loads") if not any(n.startswith("loads/") for n in shipped_parts()) else (0, "No loads: neither", "")
    )
    assert (status, err) == (0, "") and out.startswith("No loads: neither")


def test_a_load_shows_its_keys(folder):
    put(folder, "loads/fan.toml", 'kind = "free"\ninertia_kg_m2 = 0.02\ntorque_Nm = [[0.0, 0.0], [1.0, 5.0]]\n')
    _, out, _ = parts("loads")
    assert re.search(r"inertia_kg_m2\s+0.02 kg m2\s+inertia of rotor and load", out)
    assert "0: 0 Nm, 1: 5 Nm" in out
    assert told("loads")["loads/fan"]["numbers"]["fields"]["torque_Nm"] == [[0.0, 0.0], [1.0, 5.0]]


def test_no_supply_no_speeds(monkeypatch):
    monkeypatch.setattr("simcore.library.command.supply_voltages", lambda: [])
    _, out, _ = parts("motors/hoist")
    assert "--voltage gives one" in out and "base" not in out
    _, out, _ = parts("inverters/mosfet_48v")
    assert "0.6 % of the link a leg\n" in out


def test_json_is_one_document_without_nan():
    entries = told()
    assert set(entries) == {name for name in shipped_parts() if not name.endswith("_map")}
    tractor = entries["motors/yard_tractor"]["numbers"]
    assert tractor["speeds"]["modulation"]["svpwm"]["current_circle_ceiling_rpm"] is None
    assert tractor["speeds"]["modulation"]["svpwm"]["mtpv_from_rpm"] > 9000
