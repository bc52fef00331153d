"""[machine.data_sheet]: constants filled as if typed; what is said twice is compared, contradictions name the mix-up."""

import math
import tomllib

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from scenario_texts import REMOVE, good, problems_of, spoiled, write

from simcore.scenario import ScenarioError, load_scenario
from simcore.scenario.data_sheet.filling import FILLED
from simcore.scenario.data_sheet.readings import MAGNET
from simcore.scenario.data_sheet.winding_bases import BASES, RAD_S_PER_RPM, from_common
from simcore.scenario.models import Scenario
from simcore.scenario.reader import scenario_from
from simcore.scenario.toml_text import write_toml

CONSTANTS = {k: good()["machine"][k] for k in FILLED}
PAIRS, OHM, L_D, L_Q, FLUX, AMPERE = CONSTANTS.values()
# Bases whose ratio is 1 cannot contradict each other.
QUICK = settings(deadline=None, max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])


def sheet(text, **changes):
    """The good scenario with a data sheet (TOML text) in the place of the machine's constants."""
    typed = {f"machine__{key}": REMOVE for key in CONSTANTS if key != "max_current_A"}
    return spoiled(**{**typed, "machine__data_sheet": tomllib.loads(text), **changes})


def constants(machine):
    return {key: getattr(machine, key) for key in FILLED}


# Machine E of the tests: 4 pole pairs, 10 mohm, 0.2/0.6 mH, 70 mWb.
WINDING = """
poles = 8
resistance_ohm.line_line = 0.020
inductance_H.line_line_min = 0.4e-3
inductance_H.line_line_max = 1.2e-3
"""
# 70 mWb, 4 pole pairs: 0.28 V s/rad phase peak, 29.3215 V/krpm; times sqrt(3) line-line, over sqrt(2) rms.
EMF = WINDING + "emf_constant_V_per_krpm.line_line_rms = 35.9114\n"


def read(text, overrides=(), **changes):
    return scenario_from(sheet(text, **changes), "bench.toml", overrides)


def refused(text, overrides=(), **changes):
    with pytest.raises(ScenarioError) as caught:
        read(text, overrides, **changes)
    return caught.value.problems


def test_a_data_sheet_fills_the_constants_as_if_typed(tmp_path):
    path = write(tmp_path, sheet(EMF))
    scenario = load_scenario(path)
    assert constants(scenario.machine) == pytest.approx(CONSTANTS, rel=1e-5)
    assert scenario.machine.data_sheet is None and scenario.findings == ()
    assert set(scenario.resolved["machine"]) == set(good()["machine"])
    again = load_scenario(write(tmp_path, write_toml(scenario.resolved), "elsewhere/resolved.toml"))
    for name in Scenario.model_fields:
        assert getattr(again, name) == getattr(scenario, name), name


def test_the_kind_may_be_left_out_beside_a_data_sheet():
    assert read(EMF, machine__kind=REMOVE).machine.kind == "constants"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # Each by hand from 0.28 V s/rad phase peak (p psi): 1000 rpm is 104.7198 rad/s.
        ("emf_constant_V_per_krpm.phase_peak = 29.3215", FLUX),
        ("emf_constant_V_s_per_rad.line_line_peak = 0.484974", FLUX),
        ("speed_constant_rpm_per_V.line_line_peak = 19.6904", FLUX),
        ("torque_constant_Nm_per_A.peak = 0.42", FLUX),
        ("torque_constant_Nm_per_A.rms = 0.593970", FLUX),
        ("magnet_flux_Wb.phase_rms = 0.0494975", FLUX),
        ("magnet_flux_Wb.power_invariant = 0.0857321", FLUX),
        ("emf_speed_rpm = 500\nemf_V.phase_peak_to_peak = 29.3215", FLUX),
        ("no_load_speed_rpm = 7876.13\nno_load_voltage_V.line_line_peak = 400", FLUX),
        ("rated_torque_Nm = 318.745878\nrated_current_A.peak = 400", FLUX),
        ("rated_power_W = 33378.99\nrated_speed_rpm = 1000\nrated_current_A.rms = 282.8427", FLUX),
        ("rated_voltage_V.line_line_peak = 400\nrated_speed_rpm = 2835.509\nrated_current_A.peak = 400", FLUX),
    ],
)
def test_whatever_fixes_the_magnet_gives_its_flux(text, expected):
    machine = read(WINDING + text).machine
    assert machine.magnet_flux_Wb == pytest.approx(expected, rel=2e-5)


def test_the_trap_of_power_invariant_scaling():
    # 0.1077 Wb typed as if it were amplitude-invariant overstates the magnet's torque by sqrt(3/2) = 1.2247.
    trap = "poles = 4\nresistance_ohm.phase = 0.57\ninductance_d_H.phase = 8.72e-3\ninductance_q_H.phase = 22.8e-3\n"
    right = read(trap + "magnet_flux_Wb.power_invariant = 0.1077").machine.magnet_flux_Wb
    wrong = read(trap + "magnet_flux_Wb.phase_peak = 0.1077").machine.magnet_flux_Wb
    assert right == pytest.approx(0.0879367, abs=5e-7)
    assert wrong / right == pytest.approx(1.2247, abs=5e-5)


def test_a_delta_is_converted_to_its_equivalent_star_and_told():
    text = """
    connection = "delta"
    poles = 8
    resistance_ohm.phase = 0.030
    inductance_d_H.phase = 0.6e-3
    inductance_q_H.phase = 1.8e-3
    emf_constant_V_per_krpm.phase_peak = 50.7864
    """
    scenario = read(text)
    assert constants(scenario.machine) == pytest.approx(CONSTANTS, rel=1e-5)
    (told,) = scenario.findings
    assert 'machine.data_sheet.connection = "delta"' in told and "equivalent star" in told


def test_a_resistance_measured_at_another_temperature_is_brought_to_the_reference():
    # IEC 60034-1 (from memory): (235 + 25)/(235 + 120) = 1/1.365385.
    hot = EMF.replace("0.020", "0.0273077") + "resistance_temperature_degC = 120\n"
    assert read(hot).machine.stator_resistance_ohm == pytest.approx(OHM, rel=1e-5)
    at_120 = read(hot, machine__reference_temperature_degC=120.0)
    assert at_120.machine.stator_resistance_ohm == pytest.approx(0.01365385, rel=1e-5)


@pytest.mark.parametrize(
    ("text", "d", "q"),
    [
        ("inductance_H.line_line = 0.8e-3", 0.4e-3, 0.4e-3),
        ("inductance_H.one_to_two = 0.6e-3", 0.4e-3, 0.4e-3),
        ("inductance_H.line_line = 0.8e-3\ninductance_H.line_line_min = 0.4e-3", 0.2e-3, 0.6e-3),
        ("inductance_H.line_line = 0.8e-3\ninductance_H.line_line_max = 1.2e-3", 0.2e-3, 0.6e-3),
        ("inductance_H.phase = 0.4e-3\ninductance_q_H.phase = 0.6e-3", 0.2e-3, 0.6e-3),
        ("inductance_d_H.line_line = 0.4e-3\ninductance_q_H.phase = 0.6e-3\ninductance_H.phase = 0.4e-3", 0.2e-3, 0.6e-3),
    ],
)
def test_inductances_from_least_greatest_and_mean(text, d, q):
    machine = read(f"poles = 8\nresistance_ohm.phase = 0.01\nmagnet_flux_Wb.phase_peak = 0.07\n{text}").machine
    assert (machine.inductance_d_H, machine.inductance_q_H) == pytest.approx((d, q))


def test_what_agrees_is_told_and_the_first_is_used():
    both = "emf_V.line_line_rms = 15.0\nemf_V.line_line_peak = 21.0\nemf_speed_rpm = 2500\n"
    scenario = read(WINDING + both)
    # 15 V rms is 21.2 V peak: 1 % apart; 15 sqrt(2)/sqrt(3)/(4 x 261.7994 rad/s).
    assert scenario.machine.magnet_flux_Wb == pytest.approx(0.01169545, rel=1e-6)
    (told,) = scenario.findings
    assert "emf_V.line_line_peak = 21.0: gives 0.01158 Wb" in told and "1 % below" in told
    assert "emf_V.line_line_rms = 15.0, which is used" in told
    swapped = read(WINDING + "emf_V.line_line_peak = 21.0\nemf_V.line_line_rms = 15.0\nemf_speed_rpm = 2500\n")
    assert swapped.machine.magnet_flux_Wb == pytest.approx(0.01157791, rel=1e-6)
    assert read(WINDING + "emf_V.line_line_rms = 15.0\nemf_V.line_line_peak = 21.213\nemf_speed_rpm = 2500\n").findings == ()


def test_fifteen_volts_rms_against_twenty_one_volts_peak_to_peak():
    # The question as people ask it: the second was a peak.
    both = "emf_speed_rpm = 2500\nemf_V.line_line_rms = 15.0\nemf_V.line_line_peak_to_peak = 21.0\n"
    (problem,) = refused(WINDING + both)
    assert "emf_V.line_line_peak_to_peak = 21.0: contradicts emf_V.line_line_rms = 15.0" in problem
    assert "0.005789 Wb (2.97 V/krpm line-line rms) against 0.0117 Wb (6 V/krpm line-line rms), a ratio of 2.02" in problem
    assert 'The ratio is near 2 (peak-to-peak against peak): read as "emf_V.line_line_peak" the two would agree' in problem


CONTRADICTIONS = {
    "Kt of a peak ampere for one of an rms": (
        "torque_constant_Nm_per_A.peak = 0.594",
        ["sqrt(2)", "torque_constant_Nm_per_A.rms"],
    ),
    "phase for line-line": (
        "emf_constant_V_s_per_rad.phase_peak = 0.485",
        ["sqrt(3)", "emf_constant_V_s_per_rad.line_line_peak"],
    ),
    "line-line peak for phase rms": (
        "emf_constant_V_s_per_rad.phase_rms = 0.485",
        ["sqrt(6)", "line-line peak against phase rms"],
    ),
    "power-invariant flux": ("magnet_flux_Wb.phase_peak = 0.0857", ["sqrt(3/2)", "magnet_flux_Wb.power_invariant"]),
    "block commutation": ("torque_constant_Nm_per_A.peak = 0.485", ["2/sqrt(3)", "torque_constant_Nm_per_A.block"]),
    "factor 1.5 left out": ("torque_constant_Nm_per_A.peak = 0.28", ["1.5 (the factor 1.5 of the torque)"]),
    "Kv of an rms volt": (
        "speed_constant_rpm_per_V.line_line_peak = 27.85",
        ["sqrt(2)", "speed_constant_rpm_per_V.line_line_rms"],
    ),
    "electrical speed": (
        "emf_constant_V_s_per_rad.phase_peak = 0.07",
        ["near 4 (the pole pairs: electrical against mechanical"],
    ),
    "rpm for rad/s": ("emf_constant_V_per_krpm.phase_peak = 280", ["60/(2 pi) (rpm against rad/s)"]),
    "millivolts": ("emf_constant_V_per_krpm.line_line_peak = 50786.4", ["1000 (a prefix"]),
    "no known mix-up": ("magnet_flux_Wb.phase_peak = 0.385", ["a ratio of 5.5. Correct one"]),
    "just outside": ("magnet_flux_Wb.phase_peak = 0.0755", ["7.9 % apart"]),
    "rated torque": (
        "rated_torque_Nm = 225\nrated_current_A.rms = 400",
        ["560.3 Nm that magnet and reluctance give at 565.7 A"],
    ),
    "rated current rms for peak": (
        "rated_torque_Nm = 318.7\nrated_current_A.rms = 400",
        ["318.7 Nm against 560.3 Nm", 'Read as "rated_current_A.peak" the two would agree'],
    ),
    "power against torque": (
        "rated_torque_Nm = 250.0\nrated_power_W = 20000\nrated_speed_rpm = 1000",
        ["rated_power_W = 20000: contradicts rated_torque_Nm = 250.0: 191 Nm of rated torque against 250 Nm"],
    ),
    "rated voltage below what is needed": (
        "rated_voltage_V.line_line_rms = 200\nrated_speed_rpm = 2835.509\nrated_current_A.peak = 400",
        ["200 V line-line rms against 282.8 V line-line rms needed at 2836 rpm and 400 A (peak)"],
    ),
    "resistance of two phases": (
        "resistance_ohm.phase = 0.020",
        ["0.02 ohm a phase at 25 degC against 0.01", "two phases in series"],
    ),
    "resistance one to two": ("resistance_ohm.phase = 0.015", ['read as "resistance_ohm.one_to_two"', "near 1.5"]),
    "mean inductance": ("inductance_H.phase = 0.8e-3", ["0.8 mH a phase as the mean of Ld and Lq against 0.4", "near 2"]),
    "least inductance": (
        "inductance_d_H.phase = 0.4e-3",
        ["inductance_H.line_line_min = 0.0004", "0.2 mH a phase against 0.4", "near 2 (two phases in series against one)"],
    ),
}


@pytest.mark.parametrize("name", CONTRADICTIONS)
def test_a_contradiction_shows_both_readings_and_names_the_mix_up(name):
    text, words = CONTRADICTIONS[name]
    problems = refused(EMF + text)
    assert len(problems) == 1 and "contradicts" in problems[0], problems
    assert all(word in problems[0] for word in words), problems


def test_a_constant_typed_beside_the_sheet_is_compared_and_used():
    scenario = read(EMF, machine__magnet_flux_Wb=0.0715)
    assert scenario.machine.magnet_flux_Wb == 0.0715
    (told,) = scenario.findings
    assert "emf_constant_V_per_krpm.line_line_rms = 35.9114: gives 0.07 Wb" in told and "2.1 % below" in told
    (problem,) = refused(EMF, machine__pole_pairs=8)
    assert "machine.data_sheet.poles = 8: contradicts machine.pole_pairs = 8: 4 pole pairs against 8" in problem
    assert "near 2 (poles against pole pairs)" in problem
    (problem,) = refused(EMF, machine__magnet_flux_Wb=0.0)
    assert "contradicts machine.magnet_flux_Wb = 0.0" in problem


def test_the_tolerance_is_the_sheet_s():
    wide = EMF + "magnet_flux_Wb.phase_peak = 0.0755\ntolerance_percent = 8\n"
    assert "7.9 % above" in read(wide).findings[0]
    (problem,) = refused(EMF + "magnet_flux_Wb.phase_peak = 0.0715\ntolerance_percent = 1\n")
    assert "2.1 % apart" in problem


@pytest.mark.parametrize("quantity", [q for q in BASES if q != "max_current_A"])
def test_a_number_without_a_basis_is_refused_with_all_its_readings(quantity):
    problems = refused(f"{quantity} = 580\n")
    (problem,) = [p for p in problems if f"machine.data_sheet.{quantity} = 580: has no basis" in p]
    for basis in BASES[quantity]:
        assert f"as {basis} " in problem or basis.endswith(("_min", "_max"))
    assert f"Write {quantity}.{next(iter(BASES[quantity]))} = 580" in problem
    assert not any("missing" in p for p in problems)


def test_the_readings_of_a_bare_number_are_right():
    (problem,) = refused("emf_constant_V_per_krpm = 80.0\n")
    # 80 V rms is 113.1 V peak; a phase's 80 V peak 138.6 V, its 80 V rms 196 V line-line peak.
    assert (
        "line_line_peak it is 80 V/krpm (line-line peak), as line_line_rms 113.1, as phase_peak 138.6, as phase_rms 196"
        in problem
    )
    (problem,) = refused('connection = "delta"\nresistance_ohm = 3.0\n')
    assert "as phase it is 3 ohm (phase), as line_line 4.5, as one_to_two 6" in problem


BAD = {
    "misspelt basis": ("resistance_ohm.phas = 1.0", ["resistance_ohm.phas = 1.0: unknown key", 'Did you mean "phase"?']),
    "misspelt quantity": ("emf_constant_V_per_krp.phase_rms = 1", ["unknown key", '"emf_constant_V_per_krpm"']),
    "another unit": ("magnet_flux_mWb = 70", ['Did you mean "magnet_flux_Wb = 0.07"']),
    "volts a revolution": (
        "emf_constant_V_per_rpm.phase_peak = 0.03",
        ['Did you mean "emf_constant_V_per_krpm" (in V_per_krpm)?'],
    ),
    "odd poles": ("poles = 7", ["data_sheet.poles = 7: must be even"]),
    "half a pole": ("poles = 7.5", ["data_sheet.poles = 7.5: must be a whole number"]),
    "negative": ("resistance_ohm.phase = -1", ["resistance_ohm.phase = -1: must be at least", "(ohm)"]),
    "text": ('resistance_ohm.phase = "1"', ["must be a number (ohm), not text", "without quotes"]),
    "unknown connection": ('connection = "wye"', ['must be "star" or "delta"']),
    "EMF without its speed": ("emf_V.phase_rms = 3", ["emf_V: says nothing without emf_speed_rpm", "Add emf_speed_rpm"]),
    "speed without its EMF": ("emf_speed_rpm = 3", ["says nothing without emf_V", "Add emf_V.line_line_peak"]),
    "exchanged": ("inductance_H.line_line_min = 3e-3\ninductance_H.line_line_max = 1e-3", ["is above", "Exchange the two"]),
    "mean below half": ("inductance_H.phase = 0.2e-3\ninductance_q_H.phase = 0.6e-3", ["cannot be the mean of Ld and Lq"]),
    "little torque": (
        "poles = 8\nresistance_ohm.phase = 1\ninductance_d_H.phase = 0.2e-3\ninductance_q_H.phase = 0.6e-3\n"
        "rated_torque_Nm = 100\nrated_current_A.peak = 400",
        ["rated_torque_Nm = 100: is less than the 192 Nm that Lq - Ld alone gives at 400 A (peak)"],
    ),
    "little voltage": (
        "poles = 8\nresistance_ohm.phase = 1\ninductance_d_H.phase = 0.2e-3\ninductance_q_H.phase = 0.6e-3\n"
        "rated_voltage_V.line_line_rms = 10\nrated_current_A.peak = 400\nrated_speed_rpm = 1000",
        ["is 10 V line-line rms, and the rated point needs", "without any magnet"],
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_a_wrong_sheet_gets_its_sentence(name):
    text, words = BAD[name]
    problems = refused(text + "\n")
    hits = [p for p in problems if all(word in p for word in words)]
    assert len(hits) == 1, problems


def test_what_the_sheet_does_not_give_is_told_once_with_a_key_that_would():
    problems = refused("poles = 8\nresistance_ohm.phase = 0.01\n")
    assert [p.split(":")[1].strip() for p in problems] == [f"machine.{k}" for k in CONSTANTS if "tance" in k or "flux" in k][1:]
    assert all("is missing, and the data sheet does not give it" in p for p in problems)
    assert (
        "Add inductance_H.line_line or what else gives it to [machine.data_sheet], or inductance_d_H to [machine]"
        in problems[0]
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("rated_torque_Nm = 5", "rated_torque_Nm = 5: has no effect without rated_current_A"),
        ("rated_power_W = 5", "rated_power_W = 5: has no effect without rated_speed_rpm"),
        ("rated_current_A.peak = 5", "rated_current_A: has no effect without rated_torque_Nm"),
        (
            "rated_voltage_V.line_line_rms = 400\nrated_speed_rpm = 2835.509\nrated_current_A.peak = 400",
            "is 400 V line-line rms, more than the 282.8 V line-line rms needed at 2836 rpm",
        ),
    ],
)
def test_rated_values_without_effect_or_with_a_reserve_are_told(text, told):
    (finding,) = read(EMF + text).findings
    assert told in finding


def test_a_data_sheet_does_not_go_with_a_flux_map():
    problems = refused(EMF, machine__kind="flux_map", machine__flux_map={"file": "x.csv"})
    assert any('machine.data_sheet: belongs to kind = "constants", not "flux_map"' in p for p in problems)


PART = tomllib.loads(EMF + "torque_constant_Nm_per_A.rms = 0.594\nrated_torque_Nm = 318.7\nrated_current_A.peak = 400")


def with_part(tmp_path, **machine):
    part = {k: v for k, v in good()["machine"].items() if k not in CONSTANTS} | {"data_sheet": PART}
    write(tmp_path, part, "motors/winch.toml")
    belief = machine.pop("belief", None)
    document = spoiled(machine={"part": "motors/winch", "max_current_A": 400, **machine})
    if belief:
        document["controller"]["machine"] = belief
    return write(tmp_path, document)


def test_a_part_with_a_sheet_takes_overrides_of_constants_and_of_the_sheet_without_a_word(tmp_path):
    path = with_part(tmp_path)
    assert constants(load_scenario(path).machine) == pytest.approx(CONSTANTS, rel=1e-4)
    for overrides, flux in (
        (["machine.magnet_flux_Wb=0.05"], 0.05),
        (["machine.data_sheet.emf_constant_V_per_krpm.line_line_rms=71.8228"], 0.14),
        (["machine.data_sheet.poles=16"], 0.035),
        (["machine.inductance_q_H=0.2e-3"], 0.07),
    ):
        scenario = load_scenario(path, overrides)
        assert scenario.machine.magnet_flux_Wb == pytest.approx(flux, rel=1e-4), overrides
        assert scenario.findings == ()
    over = with_part(tmp_path, data_sheet={"emf_constant_V_per_krpm": {"line_line_rms": 71.8228}}, pole_pairs=2)
    scenario = load_scenario(over)
    assert (scenario.machine.pole_pairs, scenario.findings) == (2, ())
    assert scenario.machine.magnet_flux_Wb == pytest.approx(0.28, rel=1e-4)


def test_a_mean_inductance_laid_over_both_axes_or_beneath_one(tmp_path):
    path = with_part(tmp_path)
    machine = load_scenario(path, ["machine.data_sheet.inductance_H.phase=0.5e-3"]).machine
    assert (machine.inductance_d_H, machine.inductance_q_H) == (0.5e-3, 0.5e-3)
    part = tmp_path / "motors" / "winch.toml"
    part.write_text(part.read_text().replace("line_line_min = 0.0004\nline_line_max = 0.0012", "phase = 0.0004"))
    machine = load_scenario(path, ["machine.inductance_q_H=0.6e-3"]).machine
    assert (machine.inductance_d_H, machine.inductance_q_H) == (0.4e-3, 0.6e-3)


def test_two_numbers_of_one_override_file_still_contradict_each_other(tmp_path):
    path = with_part(tmp_path, data_sheet={"torque_constant_Nm_per_A": {"peak": 0.5, "rms": 0.5}})
    (problem,) = problems_of(path)
    assert "torque_constant_Nm_per_A.rms = 0.5: contradicts torque_constant_Nm_per_A.peak = 0.5" in problem


def test_problems_of_a_sheet_name_the_part_s_file(tmp_path):
    path = with_part(tmp_path)
    part = tmp_path / "motors" / "winch.toml"
    part.write_text(part.read_text().replace("rms = 0.594", "peak = 0.594"))
    (problem,) = problems_of(path)
    assert "motors/winch.toml: machine.data_sheet.torque_constant_Nm_per_A.peak" in problem
    part.write_text(
        part.read_text().replace("peak = 0.594", "peak = 0.42").replace("line_line_min = 0.0004", "line_line_min = 4e-8")
    )
    problems = problems_of(path)
    assert any("motors/winch.toml: machine.inductance_d_H = 2e-08: L/R" in p for p in problems), problems


def test_a_belief_overrides_single_constants_or_brings_a_sheet_of_its_own(tmp_path):
    scenario = load_scenario(with_part(tmp_path, belief={"inductance_q_H": 0.5e-3}))
    assert scenario.controller_machine.inductance_q_H == 0.5e-3
    assert scenario.controller_machine.magnet_flux_Wb == scenario.machine.magnet_flux_Wb
    # An rms EMF taken for a peak one: the controller believes in a magnet that is too weak by sqrt(2).
    mistaken = {"data_sheet": {"emf_constant_V_per_krpm": {"line_line_peak": 35.9114}}}
    scenario = load_scenario(with_part(tmp_path, belief=mistaken))
    assert scenario.controller_machine.magnet_flux_Wb * math.sqrt(2.0) == pytest.approx(scenario.machine.magnet_flux_Wb)
    assert scenario.controller_machine.inductance_q_H == scenario.machine.inductance_q_H
    rated = {"data_sheet": {"rated_torque_Nm": 400.0, "rated_current_A": {"peak": 400.0}}}
    scenario = load_scenario(with_part(tmp_path, belief=rated))
    assert scenario.controller_machine.magnet_flux_Wb > 1.2 * scenario.machine.magnet_flux_Wb
    whole = load_scenario(with_part(tmp_path, belief={"part": "motors/winch"}))
    assert whole.controller_machine == whole.machine.model_copy(update={"max_current_A": 400})
    again = load_scenario(write(tmp_path, write_toml(scenario.resolved), "resolved.toml"))
    assert again.controller_machine == scenario.controller_machine


def written(flux, quantity, basis, connection="star"):
    """The number under which a sheet prints this magnet."""
    if quantity == "magnet_flux_Wb":
        return from_common(quantity, basis, flux, connection)
    volts_at = 1000.0 * RAD_S_PER_RPM if quantity in ("emf_V", "no_load_voltage_V") else 1.0
    return from_common(quantity, basis, flux * PAIRS * volts_at, connection)


KEYS = [(q, b) for q in MAGNET for b in BASES[q]]


@QUICK
@given(st.sampled_from(KEYS), st.sampled_from(KEYS), st.floats(0.2, 5.0), st.sampled_from(["star", "delta"]))
def test_any_two_numbers_of_one_magnet_agree_and_any_other_ratio_is_refused(first, second, ratio, connection):
    assume(first != second)
    raw = tomllib.loads(EMF) | {"connection": connection, "emf_speed_rpm": 1000.0, "no_load_speed_rpm": 1000.0}
    del raw["emf_constant_V_per_krpm"]
    for (quantity, basis), flux in ((first, FLUX), (second, ratio * FLUX)):
        raw.setdefault(quantity, {})[basis] = written(flux, quantity, basis, connection)
    for voltage, speed in (("emf_V", "emf_speed_rpm"), ("no_load_voltage_V", "no_load_speed_rpm")):
        if voltage not in raw:
            del raw[speed]
    document = sheet("", machine__data_sheet=raw)
    off = max(ratio, 1.0 / ratio) - 1.0
    assume(abs(off - 0.05) > 1e-6 and abs(off - 0.005) > 1e-6)
    if off > 0.05:
        with pytest.raises(ScenarioError) as caught:
            scenario_from(document, "bench.toml")
        (problem,) = caught.value.problems
        assert "contradicts" in problem and all(f"{q}.{b}" in problem for q, b in (first, second))
        assert problem.endswith(".") and len(problem) < 2000
        return
    scenario = scenario_from(document, "bench.toml")
    # The one that is used is the first as written, the no-load speed last.
    used = ratio if second[0] != "no_load_voltage_V" and first[0] == "no_load_voltage_V" else 1.0
    assert scenario.machine.magnet_flux_Wb == pytest.approx(used * FLUX, rel=1e-9)
    told = [f for f in scenario.findings if "which is used" in f]
    assert len(told) == (off > 0.005)


NUMBERS = st.one_of(
    st.floats(), st.integers(-3, 10**6), st.sampled_from([1e-9, 1e9, 5e-324, 1e308, 10**400, True, "1", {}, []])
)
SHEETS = st.fixed_dictionaries(
    {},
    optional={
        **{q: st.one_of(st.dictionaries(st.sampled_from([*b, "x"]), NUMBERS, max_size=2), NUMBERS) for q, b in BASES.items()},
        **{
            k: NUMBERS
            for k in ("poles", "emf_speed_rpm", "no_load_speed_rpm", "rated_torque_Nm", "rated_speed_rpm", "rated_power_W")
        },
        "connection": st.sampled_from(["star", "delta", "x"]),
        "tolerance_percent": NUMBERS,
        "resistance_temperature_degC": NUMBERS,
    },
)
TYPED = st.dictionaries(st.sampled_from([*FILLED, "reference_temperature_degC", "kind"]), NUMBERS, max_size=3)


@QUICK
@given(SHEETS, TYPED, SHEETS)
def test_any_sheet_is_read_or_told(raw, typed, belief):
    document = sheet(EMF)
    document["machine"]["data_sheet"].update(raw)
    document["machine"].update(typed)
    document["controller"]["machine"] = {"data_sheet": belief}
    try:
        scenario_from(document, "bench.toml")
    except ScenarioError as error:
        for problem in error.problems:
            assert problem.endswith((".", "?")) and problem.isprintable() and len(problem) < 2000, problem
