"""Numbers of `drybench parts` against published machines, practice, brute force over currents, and the modulators."""

import math
import tomllib

import numpy as np
import pytest
from scipy.interpolate import RectBivariateSpline
from scipy.optimize import brentq

from simcore.inverter.modulation import MODULATIONS, voltage_ceiling
from simcore.library.inverter_numbers import inverter_numbers
from simcore.library.machine_limits import CEILINGS, Limits, flux_of
from simcore.library.machine_numbers import machine_numbers
from simcore.library.supply_numbers import supply_numbers
from simcore.scenario.part_reader import read_part
from simcore.scenario.parts import library

RPM = 30.0 / math.pi
MACHINES = {
    # Morimoto, Sanada, Takeda, 1994, as printed: power-invariant flux, 5 A rms (from memory).
    "A": """
max_current_A.rms = 5.0
poles = 4
resistance_ohm.phase = 0.57
inductance_d_H.phase = 8.72e-3
inductance_q_H.phase = 22.8e-3
magnet_flux_Wb.power_invariant = 0.1077""",
    # D and E are synthetic; here as a sheet would print them, line-line.
    "D": """
max_current_A.peak = 300
poles = 8
resistance_ohm.line_line = 0.020
inductance_H.line_line = 0.50e-3
magnet_flux_Wb.phase_peak = 0.06""",
    "E": """
max_current_A.peak = 400
poles = 8
resistance_ohm.line_line = 0.020
inductance_H.line_line_min = 0.4e-3
inductance_H.line_line_max = 1.2e-3
magnet_flux_Wb.phase_peak = 0.07""",
    # A small machine of 580 rpm a line-line peak volt, 7 pole pairs, on 21 V.
    "small": """
max_current_A.peak = 20
poles = 14
resistance_ohm.line_line = 0.2
inductance_H.line_line = 0.1e-3
speed_constant_rpm_per_V.line_line_peak = 580""",
}
LINK_V = {"A": 70.711 * math.sqrt(3.0), "D": 400.0, "E": 400.0, "small": 21.0}


def part(tmp_path, text, name="part.toml"):
    path = tmp_path / name
    path.write_text(text)
    return path


def machine(tmp_path, name, more=""):
    text = f'kind = "constants"\nmax_speed_rpm = 20000\n{more}\n[data_sheet]\n{MACHINES[name]}\n'
    return read_part(part(tmp_path, text), "machine").model


@pytest.fixture
def numbers(tmp_path):
    """numbers(name) => what drybench parts says of a machine above at its link voltage."""
    return lambda name: machine_numbers(machine(tmp_path, name), 120.0, (LINK_V[name], "the test"))


EXPECTED = {
    "A": {"torque": 2.531457, "characteristic": 10.084482, "lossless": 2271.755, "base": 2166.467, "last": 12848.46},
    "D": {"torque": 108.0, "characteristic": 240.0, "lossless": 5740.207, "base": 5693.330, "mtpv": 5132.0024 / 4 * RPM},
    "E": {"torque": 318.745878, "characteristic": 350.0, "lossless": 2870.104, "base": 2835.509, "mtpv": 16300.13},
}
WHAT = {
    "torque": ("most torque", "Nm", lambda n: n["most_torque"]["torque_Nm"]),
    "characteristic": ("characteristic current psi/Ld", "A", lambda n: n["characteristic_current_A"]),
    "lossless": ("base speed without resistance", "rpm", lambda n: svpwm(n)["base_speed_without_resistance_rpm"]),
    "base": ("base speed with resistance", "rpm", lambda n: svpwm(n)["base_speed_rpm"]),
    "last": ("last speed with torque on the current limit", "rpm", lambda n: svpwm(n)["current_circle_ceiling_rpm"]),
    "mtpv": ("speed where maximum torque per volt begins", "rpm", lambda n: svpwm(n)["mtpv_from_rpm"]),
}


def svpwm(found):
    return found["speeds"]["modulation"]["svpwm"]


@pytest.mark.parametrize("name", EXPECTED)
def test_published_machines_typed_from_data_sheets_show_their_known_figures(name, numbers, verified):
    found = numbers(name)
    for key, expected in EXPECTED[name].items():
        what, unit, read = WHAT[key]
        told = f"drybench parts: {what}, machine {name} typed from a data sheet"
        verified(told, "Morimoto et al., IEEE TIA 26, 1990 [M]", expected, read(found), 1e-5 * expected, unit)
    assert ("mtpv" in EXPECTED[name]) == (found["speeds"]["mtpv"] is not None)
    if found["speeds"]["mtpv"]:
        assert math.isinf(svpwm(found)["current_circle_ceiling_rpm"])
        torque = {"D": 64.8, "E": 74.34062}[name]
        assert found["speeds"]["mtpv"]["torque_Nm"] == pytest.approx(torque, rel=1e-6)


def test_ceilings_of_a_small_machine_as_practice_has_them(numbers, verified):
    found = numbers("small")["speeds"]["modulation"]
    for modulation, expected in (("svpwm", 12180.0), ("sine", 10548.0)):
        what = f"drybench parts: EMF ceiling on 21 V at 580 rpm/V, 7 pole pairs, {modulation}"
        verified(what, "case from practice; Kv times voltage", expected, found[modulation]["emf_ceiling_rpm"], 0.5, "rpm")


def test_the_constants_of_a_small_machine_in_all_bases(numbers):
    found = numbers("small")
    assert found["speed_constant_rpm_per_V"]["line_line_peak"] == pytest.approx(580.0)
    # Kt = 8.27/Kv a peak ampere, 11.70/Kv an rms ampere: common practice, no source.
    magnet = found["torque_constant_Nm_per_A"]["small_current_id_0"]
    assert magnet["peak"] * 580.0 == pytest.approx(8.27, abs=0.005)
    assert magnet["rms"] * 580.0 == pytest.approx(11.70, abs=0.01)
    ke = found["emf_constant_V_per_krpm"]
    assert ke["line_line_peak"] == pytest.approx(1000.0 / 580.0)
    assert ke["line_line_peak"] / ke["phase_rms"] == pytest.approx(math.sqrt(6.0))
    flux = found["magnet_flux_Wb"]
    assert flux["phase_peak"] / flux["phase_rms"] == pytest.approx(math.sqrt(2.0))
    assert flux["power_invariant"] / flux["phase_peak"] == pytest.approx(math.sqrt(1.5))
    assert found["inductance"][0]["d_line_line_H"] == pytest.approx(0.1e-3)


def test_resistances_cold_as_it_runs_and_hot(tmp_path):
    model = machine(tmp_path, "E", "winding_temperature_degC = 80")
    rows = machine_numbers(model, 120.0)["resistance"]
    assert [(row["winding_degC"], row["as_it_runs"]) for row in rows] == [(25.0, False), (80.0, True), (120.0, False)]
    # IEC 60034-1 (from memory): (235 + 120)/(235 + 25) = 1.365385.
    assert rows[2]["phase_ohm"] == pytest.approx(0.01365385, rel=1e-6)
    assert rows[1]["line_line_ohm"] == pytest.approx(0.02 * 315.0 / 260.0)
    cold = machine_numbers(machine(tmp_path, "E"), 120.0, (400.0, ""))
    hot = machine_numbers(model, 120.0, (400.0, ""))
    assert svpwm(hot)["base_speed_rpm"] < svpwm(cold)["base_speed_rpm"] < 2870.0


def test_magnets_are_shown_at_their_temperature(tmp_path):
    more = "magnet_temperature_degC = 125\nmagnet_temperature_coefficient_per_K = -0.001"
    found = machine_numbers(machine(tmp_path, "E", more), 120.0)
    assert found["magnet_flux_Wb"]["phase_peak"] == pytest.approx(0.9 * 0.07)
    assert found["magnet_temperature_degC"] == 125.0
    assert machine_numbers(machine(tmp_path, "E"), 120.0)["magnet_temperature_degC"] is None


def test_ceilings_are_those_of_the_modulators():
    for name, share in CEILINGS.items():
        assert share * 567.0 == pytest.approx(voltage_ceiling(MODULATIONS[name], 567.0), rel=1e-12)


def test_a_voltage_that_the_resistance_eats_gives_no_base_speed(tmp_path):
    limits = Limits.of(machine(tmp_path, "E"))
    assert math.isnan(limits.base_speed_rpm(3.9, 0.010)) and limits.base_speed_rpm(4.1, 0.010) > 0.0


def test_a_machine_without_a_magnet_has_no_emf_ceiling(tmp_path):
    text = (
        'kind = "constants"\npole_pairs = 2\nstator_resistance_ohm = 0.1\ninductance_d_H = 8e-3\ninductance_q_H = 2e-3\n'
        "magnet_flux_Wb = 0.0\nmax_current_A = 20\nmax_speed_rpm = 6000\n"
    )
    found = machine_numbers(read_part(part(tmp_path, text), "machine").model, 120.0, (100.0, ""))
    assert math.isinf(svpwm(found)["emf_ceiling_rpm"]) and found["speed_constant_rpm_per_V"] is None
    # Most torque at 45 degrees: 0.75 p (Ld - Lq) i^2; its own characteristic current is none.
    assert found["most_torque"]["torque_Nm"] == pytest.approx(0.75 * 2 * 6e-3 * 400.0)
    assert found["characteristic_current_A"] == 0.0


@pytest.fixture(scope="module")
def tractor():
    return read_part(library() / "motors" / "yard_tractor.toml", "machine").model


@pytest.fixture(scope="module")
def splines(tractor):
    """psi_d, psi_q as scipy's splines through the map's points."""
    data = tractor.map_data
    return [RectBivariateSpline(data.id_A, data.iq_A, psi) for psi in (data.psi_d_Wb, data.psi_q_Wb)]


def brute(splines, pairs, most, greatest_psi):
    """Most torque within the current limit and a flux limit, over a grid of half amperes => torque, current there."""
    id_A, iq_A = np.arange(-most, 0.25, 0.5), np.arange(0.0, most + 0.25, 0.5)
    psi_d, psi_q = (spline(id_A, iq_A) for spline in splines)
    torque = 1.5 * pairs * (psi_d * iq_A - psi_q * id_A[:, None])
    size = np.hypot(id_A[:, None], iq_A)
    torque[(size > most) | (np.hypot(psi_d, psi_q) > greatest_psi)] = -np.inf
    best = np.unravel_index(np.argmax(torque), torque.shape)
    return torque[best], size[best]


def test_a_flux_map_s_figures_are_those_of_its_splines(tractor, splines):
    found = machine_numbers(tractor, 120.0, (700.0, "the test"))
    psi_d, psi_q = splines
    torque, _ = brute(splines, 4, 450.0, np.inf)
    assert found["most_torque"]["torque_Nm"] == pytest.approx(torque, rel=2e-4)
    assert found["magnet_flux_Wb"]["phase_peak"] == pytest.approx(psi_d(0.0, 0.0).item(), rel=1e-6)
    zero = brentq(lambda i: psi_d(i, 0.0).item(), -600.0, 0.0)
    assert found["characteristic_current_A"] == pytest.approx(-zero, rel=1e-4)
    at_zero, incremental, apparent = found["inductance"]
    assert at_zero["d_phase_H"] == pytest.approx(psi_d(0.0, 0.0, dx=1).item(), rel=1e-3)
    assert at_zero["q_phase_H"] == pytest.approx(psi_q(0.0, 0.0, dy=1).item(), rel=1e-3)
    there = found["most_torque"]["id_A"], found["most_torque"]["iq_A"]
    assert incremental["q_phase_H"] == pytest.approx(psi_q(*there, dy=1).item(), rel=1e-2)
    assert apparent["q_phase_H"] == pytest.approx(psi_q(*there).item() / there[1], rel=1e-4)
    swing = psi_d(*there).item() - psi_d(0.0, there[1]).item()
    assert apparent["d_phase_H"] == pytest.approx(swing / there[0], rel=1e-4)
    across = 6.0 * psi_d(0.0, 450.0).item()
    assert found["torque_constant_Nm_per_A"]["max_current_id_0"]["peak"] == pytest.approx(across, rel=1e-4)
    assert found["flux_map"]["holds_current_limit"]


def test_a_flux_map_s_base_speed_is_where_its_voltage_is_the_limit(tractor, splines):
    found = machine_numbers(tractor, 120.0, (700.0, "the test"))
    id_A, iq_A = found["most_torque"]["id_A"], found["most_torque"]["iq_A"]
    psi_d, psi_q = (spline(id_A, iq_A).item() for spline in splines)
    ohm = 0.009 * 315.0 / 260.0  # copper at 80 degC

    def beyond(omega_e):
        return math.hypot(ohm * id_A - omega_e * psi_q, ohm * iq_A + omega_e * psi_d) - 700.0 / math.sqrt(3.0)

    expected = brentq(beyond, 1.0, 1e4) / 4 * RPM
    assert svpwm(found)["base_speed_rpm"] == pytest.approx(expected, rel=1e-5)


def test_beyond_the_mtpv_speed_the_best_current_leaves_the_limit_and_before_it_does_not(tractor, splines):
    found = machine_numbers(tractor, 120.0, (700.0, "the test"))
    psi = found["speeds"]["mtpv"]["flux_Wb"]
    torque, size = brute(splines, 4, 450.0, 1.03 * psi)
    assert size > 449.0 and torque > found["speeds"]["mtpv"]["torque_Nm"]
    torque, size = brute(splines, 4, 450.0, 0.97 * psi)
    assert size < 446.0 and torque < found["speeds"]["mtpv"]["torque_Nm"]
    from_rpm = svpwm(found)["mtpv_from_rpm"]
    assert from_rpm == pytest.approx(700.0 / math.sqrt(3.0) / psi / 4 * RPM)


def test_a_current_limit_beyond_the_map_is_noticed(tractor):
    wide = tractor.model_copy(update={"max_current_A": 620.0})
    wide._map_data = tractor.map_data
    assert not machine_numbers(wide, 120.0)["flux_map"]["holds_current_limit"]
    assert float(flux_of(wide).id_A[0]) == -600.0


def test_what_dead_time_costs(tmp_path, verified):
    # S.-G. Jeong, M.-H. Park, IEEE Trans. Ind. Electron. 38(2), 1991 (from memory).
    inverter = read_part(part(tmp_path, "switching_frequency_Hz = 10000\ndead_time_s = 2e-6\n"), "inverter").model
    numbers = inverter_numbers(inverter, (400.0, "the test"))
    assert (numbers["tick_s"], numbers["dead_time_percent_of_link"]) == (50e-6, pytest.approx(2.0))
    found = numbers["dead_time"]
    source = "Td fs Vdc, 4/pi of it; Jeong, Park, 1991 [M]"
    verified("drybench parts: dead-time error a leg, 400 V, 10 kHz, 2 us", source, 8.0, found["leg_error_V"], 1e-9, "V")
    fundamental = found["fundamental_phase_peak_V"]
    verified("drybench parts: its fundamental", source, 10.185916, fundamental, 1e-6, "V")


def test_devices_over_temperature_hold_the_points_and_the_one_between(tmp_path):
    text = "switching_frequency_Hz = 8000\n[devices]\nkind = 'mosfet'\non_resistance_ohm = [[25, 2e-3], [125, 4e-3]]\n"
    inverter = read_part(part(tmp_path, text + "junction_degC = 75\n"), "inverter").model
    rows = inverter_numbers(inverter)["devices_over_temperature"]
    assert [(r["junction_degC"], r["on_resistance_ohm"]) for r in rows] == [(25, 2e-3), (75, pytest.approx(3e-3)), (125, 4e-3)]


def test_a_gate_setting_shows_what_the_stray_inductance_adds():
    # u = L di/dt: 11 nH at 6.5 A/ns is 71.5 V.
    inverter = read_part(library() / "inverters" / "sic_800v.toml", "inverter").model
    brisk = inverter_numbers(inverter)["gate_settings"]["brisk"]
    assert brisk["stray_voltage_V"] == pytest.approx(71.5) and brisk["current_A"] == 600.0 and brisk["energy_on_J"] == 26e-3


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("voltage_V = 700\nresistance_ohm = 0.04\ninductance_H = 8e-6", (700.0, 17500.0, 3.0625e6, 2e-4)),
        # 3 sqrt(2)/pi of 400 V: 540.19 V.
        ('kind = "rectifier"\nline_voltage_V = 400\nresistance_ohm = 0.1', (540.1898, 5401.898, 729512.5, 0.0)),
    ],
)
def test_what_a_supply_gives_at_most(tmp_path, text, expected):
    found = supply_numbers(read_part(part(tmp_path, text), "supply").model)
    keys = ("voltage_V", "short_circuit_current_A", "most_power_W", "time_constant_s")
    assert [found[key] for key in keys] == pytest.approx(expected, rel=1e-6)


def test_a_brake_chopper_takes_its_power_where_it_switches_on(tmp_path):
    text = "voltage_V = 560\nchopper = { resistance_ohm = 10.0, on_above_V = 700, off_below_V = 650 }"
    assert supply_numbers(read_part(part(tmp_path, text), "supply").model)["chopper_power_W"] == pytest.approx(49e3)


def test_energy_of_a_battery_is_the_area_under_its_voltage(tmp_path):
    text = """kind = "battery"\nresistance_ohm = 0.05\ncapacity_Ah = 100\nstate_of_charge = 0.5
    open_circuit_voltage_V = [[0.2, 600], [0.6, 700], [1.0, 760]]"""
    found = supply_numbers(read_part(part(tmp_path, text), "supply").model)
    # 0.2 x 600 + 0.4 x 650 + 0.4 x 730 = 672 V on average.
    assert found["energy_kWh"] == pytest.approx(67.2)
    assert found["voltage_V"] == pytest.approx(675.0)


def test_the_fields_of_any_part_are_its_toml_again():
    for entry in ("supplies/quay_560v", "inverters/sic_800v"):
        path = library() / f"{entry}.toml"
        table = {"supplies": "supply", "inverters": "inverter"}[entry.partition("/")[0]]
        model = read_part(path, table).model
        numbers = supply_numbers(model) if table == "supply" else inverter_numbers(model)
        for key, value in tomllib.loads(path.read_text()).items():
            if key not in ("name", "devices", "gate_settings", "heat"):
                assert numbers["fields"][key] == value
