"""What `drybench parts` says of gate settings and heat: peak voltages, margins, networks, what a winding carries for ever."""

import json
import math

import pytest

from simcore.library.command import show_parts
from simcore.library.heat_numbers import heat_numbers, machine_heat_numbers
from simcore.library.inverter_numbers import inverter_numbers
from simcore.scenario.part_reader import read_part
from simcore.scenario.parts import library


def of(name, table="inverter"):
    return read_part(library() / f"{name}.toml", table).model


def test_the_peak_voltage_and_the_margin_of_each_setting():
    # V + L di/dt: 800 V + 12 nH x 9, 19, 40 A/ns = 908, 1028, 1280 V; rating 1200 V.
    settings = inverter_numbers(of("inverters/quay_sic_300kw"), (800.0, "the test"))["gate_settings"]
    assert [one["peak_voltage_V"] for one in settings.values()] == pytest.approx([908.0, 1028.0, 1280.0])
    assert [one["margin_V"] for one in settings.values()] == pytest.approx([292.0, 172.0, -80.0])
    # Sum of on, off and recovery at 600 A; six drivers of 1.5 uC x 22 V at 12 kHz.
    assert settings["calm"]["energy_J"] == pytest.approx(94.8e-3)
    assert settings["keen"]["drivers_W"] == pytest.approx(2.376)


def test_a_setting_without_slopes_or_a_link_without_voltage_has_no_peak(tmp_path):
    text = "switching_frequency_Hz = 1e4\n[devices]\nkind = 'mosfet'\non_resistance_ohm = 1e-3\n[gate_settings.plain]\n"
    (tmp_path / "p.toml").write_text(text)
    plain = inverter_numbers(read_part(tmp_path / "p.toml", "inverter").model, (400.0, "the test"))["gate_settings"]["plain"]
    assert "peak_voltage_V" not in plain and plain["energy_J"] is None and plain["drivers_W"] == 0.0
    calm = inverter_numbers(of("inverters/quay_sic_300kw"))["gate_settings"]["calm"]
    assert "peak_voltage_V" not in calm and calm["stray_voltage_V"] == pytest.approx(108.0)


def test_networks_in_both_forms_and_what_a_switch_may_lose():
    found = heat_numbers(of("inverters/quay_sic_300kw"))
    assert set(found["networks"]) == {"switch", "sink"}
    switch, sink = found["networks"]["switch"], found["networks"]["sink"]
    assert switch["resistance_K_per_W"] == pytest.approx(0.070) and sink["resistance_K_per_W"] == pytest.approx(0.005)
    assert switch["foster_K_per_W_and_s"][0] == [0.006, 1.2e-3]
    assert sink["cauer_J_per_K_and_K_per_W"] == [[90, 0.0015], [420, 0.0035]]
    assert sum(r for _, r in switch["cauer_J_per_K_and_K_per_W"]) == pytest.approx(0.070)
    # 110 K over 0.07 + 6 x 0.005 K/W.
    assert found["each_of_six_most_W"] == pytest.approx(1100.0) and found["one_switch_K_per_W"] == pytest.approx(0.075)
    assert set(heat_numbers(of("inverters/igbt_600v"))["networks"]) == {"switch", "diode", "sink"}


def test_what_the_winding_carries_for_ever():
    # (180 - 65) K / 0.037 K/W = 3108 W = 1.5 x 8 mohm x 415/260 x I^2: 403 A.
    found = machine_heat_numbers(of("motors/quay_runner", "machine"))
    assert found["most_copper_W"] == pytest.approx(3108.108, rel=1e-6)
    assert found["continuous_current_A"] == pytest.approx(math.sqrt(3108.108 / (1.5 * 8e-3 * 415.0 / 260.0)), rel=1e-6)
    assert (found["winding_s"], found["iron_s"], found["magnet_s"]) == pytest.approx((32.5, 120.0, 492.0))
    assert machine_heat_numbers(of("motors/hoist", "machine")) is None


def test_the_terminal_shows_them(capsys):
    assert show_parts("inverters/quay_sic_300kw", voltage_V=800.0) == 0
    out = capsys.readouterr().out
    for words in ("40 A/ns", "1280 V", "-80 V", "rating 1200 V", "sum K/W", "0.01296", "diode: on the switch's chip",
                  "1.1 kW a switch, all six alike", "500 uF with 600 uohm", "61.8 mJ"):  # fmt: skip
        assert words in out, words
    assert show_parts("motors/quay_runner") == 0
    out = capsys.readouterr().out
    assert "402.8 A peak for ever: 3.108 kW of copper loss hold the winding at 180 degC" in out and "heat.magnet_share" in out


def test_a_leg_of_its_own_is_named(tmp_path, monkeypatch, capsys):
    own = "[[devices.legs]]\n[[devices.legs]]\non_resistance_ohm = 2e-3\ndiode.threshold_V = 1\n[[devices.legs]]\n"
    text = "switching_frequency_Hz = 1e4\n[devices]\nkind = 'mosfet'\non_resistance_ohm = 1e-3\n" + own
    (tmp_path / "p.toml").write_text(text + "[gate_settings.plain]\ngate_charge_C = 1e-6\ngate_swing_V = 20\n")
    monkeypatch.chdir(tmp_path)
    assert show_parts("p.toml", voltage_V=100.0) == 0
    out = capsys.readouterr().out
    assert "leg b has its own on_resistance_ohm, diode.threshold_V" in out and "leg a" not in out and "Turn-off" not in out


def test_programs_get_them_too(capsys):
    assert show_parts("inverters/igbt_600v", as_json=True) == 0
    (told,) = json.loads(capsys.readouterr().out)
    assert told["numbers"]["heat"]["networks"]["diode"]["resistance_K_per_W"] == pytest.approx(0.14)
    assert told["numbers"]["gate_settings"]["brisk"]["margin_V"] > 0.0
