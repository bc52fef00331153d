"""The formulas applied to a checked inverter: scaling of the energies, temperatures of each device, the settled heat."""

import math

import pytest

from simcore.scenario.part_reader import read_part
from simcore.study.power_formulas import OperatingPoint, losses_at, settled_losses

POINT = OperatingPoint(link_V=700.0, amplitude_A=300.0, voltage_V=280.0, phase_rad=0.45, electrical_Hz=0.2)
PLAIN = """
switching_frequency_Hz = 10000
link_capacitor_resistance_ohm = 1e-3
[devices]
kind = "mosfet"
on_resistance_ohm = [[25, 4e-3], [125, 6e-3]]
junction_degC = 75
[gate_settings.brisk]
reference_voltage_V = 600
reference_temperature_degC = 125
voltage_exponent = 1.3
temperature_coefficient_per_K = 0.002
diode_voltage_exponent = 0.6
energy_on_J = [[0, 0], [300, 5e-3]]
energy_off_J = [[0, 0], [300, 3.3e-3]]
energy_recovery_J = [[0, 0], [300, 1e-3]]
gate_charge_C = 1.2e-6
gate_swing_V = 22
"""
HEAT = """
[heat]
coolant_degC = 65
switch = { foster = [[0.06, 0.02], [0.04, 0.4]] }
sink = { cauer = [[200, 0.005], [500, 0.01]] }
sink_flow = { flow_l_per_min = 5, reference_flow_l_per_min = 10, exponent = 1.0 }
"""


@pytest.fixture
def inverter(tmp_path):
    def make(text):
        (tmp_path / "part.toml").write_text(text)
        return read_part(tmp_path / "part.toml", "inverter").model

    return make


def test_every_loss_by_hand(inverter):
    # Conduction 3 R I^2/2 at 75 degC: 5 mohm.  Switching (6/pi) fs E (V/Vref)^k (1 + a (75 - 125)), the diode's exponent 0.6.
    # Drivers 6 Q U fs; capacitor ESR x Kolar's current.
    found = losses_at(inverter(PLAIN), POINT)
    assert found.conduction_W == pytest.approx(1.5 * 5e-3 * 300.0**2, rel=1e-6)
    volts = 700.0 / 600.0
    each = 8.3e-3 * volts**1.3 + 1e-3 * volts**0.6
    assert found.switching_W == pytest.approx(6.0 / math.pi * 10e3 * 0.9 * each, rel=1e-4)
    assert found.gate_W == pytest.approx(6.0 * 1.2e-6 * 22.0 * 10e3)
    depth, cosine2 = 0.8, math.cos(0.45) ** 2
    square = 2 * depth * (math.sqrt(3) / (4 * math.pi) + cosine2 * (math.sqrt(3) / math.pi - 9 * depth / 16)) * 300.0**2 / 2
    assert found.capacitor_W == pytest.approx(1e-3 * square)
    assert found.inverter_W == pytest.approx(found.conduction_W + found.switching_W + found.gate_W + found.capacitor_W)
    assert sum(found.switch_W) + sum(found.diode_W) == pytest.approx(found.conduction_W + found.switching_W)
    assert POINT.terminal_W == pytest.approx(1.5 * 280.0 * 300.0 * math.cos(0.45))
    assert found.beyond_A == 0.0


def test_resistance_over_current_and_currents_beyond_the_tables(inverter):
    # Factor 1 + i/300: R I^2 (1/2 + 4/(3 pi) ...): mean of cos^2 is 1/2, of |cos|^3 is 4/(3 pi).
    text = PLAIN.replace('kind = "mosfet"', 'kind = "mosfet"\non_resistance_over_current = [[0, 1.0], [300, 2.0]]')
    found = losses_at(inverter(text), POINT)
    expected = 3.0 * 5e-3 * 300.0**2 * (0.5 + 4.0 / (3.0 * math.pi))
    assert found.conduction_W == pytest.approx(expected, rel=1e-4)
    beyond = OperatingPoint(700.0, 420.0, 280.0, 0.45, 200.0)
    assert losses_at(inverter(PLAIN), beyond).beyond_A == pytest.approx(120.0)


def test_a_leg_that_differs_loses_more_alone(inverter):
    own = "[[devices.legs]]\n[[devices.legs]]\ngate_settings.brisk.energy_on_J = [[0, 0], [300, 10e-3]]\n[[devices.legs]]\n"
    text = PLAIN.replace("[gate_settings.brisk]", own + "[gate_settings.brisk]")
    same, other = losses_at(inverter(PLAIN), POINT), losses_at(inverter(text), POINT)
    scale = 0.9 * (700.0 / 600.0) ** 1.3 * 10e3 / math.pi
    more = [b - a for a, b in zip(same.switch_W, other.switch_W, strict=True)]
    assert more == pytest.approx([0.0, 0.0, 5e-3 * scale, 5e-3 * scale, 0.0, 0.0], rel=1e-4, abs=1e-9)
    assert other.diode_W == pytest.approx(same.diode_W)


def test_temperatures_and_losses_settle_together(inverter):
    # Linear in the device's temperature: W = a + b T; T = 65 + 0.1 W + (0.005 + 0.02) x 6 W, solved here for W.
    part = inverter(PLAIN + HEAT)
    cold, warm = (losses_at(part, POINT, switch_degC=(t,) * 6, diode_degC=(t,) * 6) for t in (50.0, 120.0))
    slope = (sum(warm.switch_W) + sum(warm.diode_W) - sum(cold.switch_W) - sum(cold.diode_W)) / 70.0 / 6.0
    base = (sum(cold.switch_W) + sum(cold.diode_W)) / 6.0 - 50.0 * slope
    rise = 0.1 + 6.0 * 0.025
    watts = (base + 65.0 * slope) / (1.0 - slope * rise)
    found = settled_losses(part, POINT)
    assert found.settled and found.switch_degC == pytest.approx((65.0 + rise * watts,) * 6, rel=1e-4)
    assert found.diode_degC == found.switch_degC  # a body diode is the switch's chip
    assert losses_at(part, POINT).conduction_W == pytest.approx(1.5 * 5e-3 * 300.0**2, rel=1e-6)


def test_a_diode_of_its_own_chip_has_its_own_temperature(inverter):
    part = inverter(PLAIN + HEAT.replace("sink =", "diode = { foster = [[0.2, 0.02]] }\nsink ="))
    found = settled_losses(part, POINT)
    base = 65.0 + 0.025 * (sum(found.switch_W) + sum(found.diode_W))
    assert found.switch_degC == pytest.approx([base + 0.1 * w for w in found.switch_W], rel=1e-6)
    assert found.diode_degC == pytest.approx([base + 0.2 * w for w in found.diode_W], rel=1e-6)
    assert found.diode_W[0] > 0.0


def test_losses_that_run_away_are_told(inverter):
    text = PLAIN.replace("per_K = 0.002", "per_K = 0.1").replace("temperature_degC = 125", "temperature_degC = 60")
    assert not settled_losses(inverter(text + HEAT.replace("[500, 0.01]", "[500, 0.1]")), POINT).settled


def test_an_igbt_stage_and_ideal_devices(inverter):
    # 0.9 V + 4 mohm, diode 1.0 V + 3.5 mohm, 100 A, M 0.8, cos 0.9, sine: Kolar, Ertl, Zach, 1991 (from memory).
    text = 'switching_frequency_Hz = 10000\nmodulation = "sine"\ndead_time_s = 2e-6\n[devices]\nkind = "igbt"\n'
    text += "threshold_V = 0.9\nslope_ohm = 4e-3\ndiode = { threshold_V = 1.0, slope_ohm = 3.5e-3 }\n"
    point = OperatingPoint(400.0, 100.0, 160.0, math.acos(0.9), 50.0)
    assert losses_at(inverter(text), point).conduction_W == pytest.approx(234.57847, rel=1e-6)
    assert losses_at(inverter("switching_frequency_Hz = 10000\n"), point).inverter_W == 0.0


def test_each_device_by_its_own_drop_and_temperature(inverter):
    # R I^2/4 a switch, R at its own temperature; diodes Td fs 2 I/pi V each in the dead times, V at its own temperature.
    text = """switching_frequency_Hz = 10000\ndead_time_s = 1e-6\n[devices]\nkind = "mosfet"\n
    on_resistance_ohm = [[0, 2e-3], [200, 10e-3]]\ndiode = { threshold_V = [[0, 0.0], [200, 2.0]] }\n[[devices.legs]]
    [[devices.legs]]\non_resistance_ohm = 8e-3\n[[devices.legs]]\ndiode.threshold_V = 4.0\n"""
    switch, diode = (0.0, 25.0, 50.0, 75.0, 100.0, 200.0), (10.0, 40.0, 60.0, 80.0, 110.0, 150.0)
    found = losses_at(inverter(text), POINT, switch_degC=switch, diode_degC=diode)
    shares = [w / 300.0**2 for w in found.switch_W]
    # What the diodes carry, 2 Td fs = 2 % of the period, is half of it missing in each channel.
    ohm = [2e-3, 3e-3, 8e-3, 8e-3, 6e-3, 10e-3]
    assert shares == pytest.approx([0.25 * 0.98 * r for r in ohm], rel=1e-5)
    volts = [0.1, 0.4, 0.6, 0.8, 4.0, 4.0]
    assert found.diode_W == pytest.approx([1e-6 * 10e3 * 2.0 * 300.0 / math.pi * v for v in volts], rel=1e-5)
