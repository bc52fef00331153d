"""Losses of the power stage in the loop against closed forms.

J. W. Kolar, H. Ertl, F. C. Zach, IEEE TIA 27(6), 1991, 1063-1075, and F. Casanellas, IEE Proc. EPA 141(5), 1994 (both from
memory; every number checked by integration): means and mean squares of transistor and diode currents; the 1/pi rule; factors of
discontinuous modulators.  The closed forms neglect the ripple, so that the machine here has 10 mH.
"""

import math

import numpy as np
import pytest
from point_of_load import drive_at

from simcore import Bench
from simcore.scenario.reader import scenario_from

KOLAR = "Kolar, Ertl, Zach, IEEE TIA 27(6), 1991 [M]"
CASANELLAS = "Casanellas, IEE Proc. EPA 141(5), 1994 [M]"
CAPACITOR = "Kolar, Round, IEE Proc. EPA 153, 2006 [M]"
F1_HZ, FS_HZ, INDUCTANCE, RESISTANCE = 50.0, 10000.0, 10e-3, 0.01
FROM_S, TO_S = 0.02, 0.04
ONE_KELVIN_A_WATT = {"foster": [[1.0, 1e-4]]}  # a junction that follows its loss: mean rise = mean loss


def at_point(depth, cosine, *, inverter, vdc=400.0, current_A=100.0, kind="sine", model="averaged", leading=False, f1_Hz=F1_HZ,
             supply=None, link_F=0.0, duration_s=TO_S, inductance_H=INDUCTANCE):  # fmt: skip
    """=> Recording in current mode at modulation depth and cos(phi), from the steady state on."""
    lag = -math.acos(cosine) if leading else math.acos(cosine)
    flux, current = drive_at(depth, lag, vdc=vdc, current_A=current_A, f1_Hz=f1_Hz, inductance_H=inductance_H,
                             resistance_ohm=RESISTANCE)  # fmt: skip
    document = {
        "machine": {
            "kind": "constants", "pole_pairs": 1, "stator_resistance_ohm": RESISTANCE, "inductance_d_H": inductance_H,
            "inductance_q_H": inductance_H, "magnet_flux_Wb": flux, "max_current_A": 1.2 * current_A, "max_speed_rpm": 1e5,
        },
        "inverter": {
            "switching_frequency_Hz": FS_HZ, "model": model, "modulation": kind, "link_capacitance_F": link_F, **inverter,
        },
        "supply": {"kind": "source", "voltage_V": vdc, **(supply or {})},
        "load": {"kind": "rig", "speed_rpm": 60.0 * f1_Hz},
        "controller": {"mode": "current", "tuning": {
            "kp_d_V_per_A": 12.0, "kp_q_V_per_A": 12.0, "ki_d_V_per_As": 2000.0, "ki_q_V_per_As": 2000.0}},
        "commands": {"id_A": current.real, "iq_A": current.imag},
        "initial": {"id_A": current.real, "iq_A": current.imag},
        "run": {"duration_s": duration_s},
    }  # fmt: skip
    return Bench(scenario_from(document, path="losses.toml")).run()


def mean(recording, signal, from_s=FROM_S, to_s=TO_S):
    return recording.measure(signal, "mean", from_s=from_s, to_s=to_s)


def gate(on=(), off=(), recovery=(), **more):
    return {"reference_voltage_V": 600.0, "reference_temperature_degC": 25.0, "voltage_exponent": 1.0,
            "energy_on_J": on, "energy_off_J": off, "energy_recovery_J": recovery, **more}  # fmt: skip


def linear(energy_J, at_A=300.0):
    return [[0.0, 0.0], [at_A, energy_J]]


MOSFET = {"kind": "mosfet", "on_resistance_ohm": 4.6e-3}
IGBT = {"kind": "igbt", "threshold_V": 0.9, "slope_ohm": 4e-3, "diode": {"threshold_V": 1.0, "slope_ohm": 3.5e-3}}


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_a_mosfet_bridge_loses_the_same_at_every_depth_and_angle(verified, model):
    for depth, cosine in ((0.3, 0.2), (0.8, 0.9)):
        recording = at_point(depth, cosine, inverter={"devices": MOSFET}, current_A=300.0, model=model)
        what = f"conduction loss of a MOSFET bridge, 4.6 mohm, 300 A, {model}"
        verified(what, KOLAR, 621.0, mean(recording, "loss_conduction_W"), 0.35, "W")


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_igbt_and_diode_means(verified, model):
    heat = {"coolant_degC": 0.0, "switch": ONE_KELVIN_A_WATT, "diode": ONE_KELVIN_A_WATT, "ticks_per_step": 1}
    # A high link voltage, so that the drops themselves do not move M.
    recording = at_point(0.8, 0.9, inverter={"devices": IGBT, "heat": heat}, model=model, vdc=8000.0)
    what = f"M = 0.8, cos(phi) = 0.9, 100 A, {model}"
    verified(f"IGBT bridge, {what}", CASANELLAS, 234.57847, mean(recording, "loss_conduction_W"), 0.2, "W")
    for side in ("upper", "lower"):
        for leg in "abc":
            switch = mean(recording, f"junction_switch_{side}_{leg}_degC")
            diode = mean(recording, f"junction_diode_{side}_{leg}_degC")
            verified(f"loss of one IGBT, {what}", CASANELLAS, 30.479720, switch, 0.06, "W")
            verified(f"loss of one diode, {what}", CASANELLAS, 8.616691, diode, 0.06, "W")


def test_igbt_and_diode_while_braking(verified):
    """M = 0.5, cos(phi) = -0.9: transistor mean 10.290494 A, diode mean 21.540494 A; thresholds of 1 V turn them into watts."""
    devices = {"kind": "igbt", "threshold_V": 1.0, "slope_ohm": 0.0, "diode": {"threshold_V": 1.0}}
    heat = {"coolant_degC": 0.0, "switch": ONE_KELVIN_A_WATT, "diode": ONE_KELVIN_A_WATT}
    recording = at_point(0.5, -0.9, inverter={"devices": devices, "heat": heat}, vdc=8000.0)
    what = "M = 0.5, cos(phi) = -0.9, 100 A, averaged"
    verified(f"transistor mean, {what}", CASANELLAS, 10.290494, mean(recording, "junction_switch_upper_a_degC"), 0.03, "A")
    verified(f"diode mean, {what}", CASANELLAS, 21.540494, mean(recording, "junction_diode_lower_b_degC"), 0.03, "A")


def test_the_body_diode_in_the_dead_time(verified):
    """0.5 us at 12 kHz, 300 A, 4.2 V: 9.62569 W a leg, of which the channel would have had 2.484 W at 4.6 mohm."""
    devices = MOSFET | {"diode": {"threshold_V": 4.2}}
    inverter = {"devices": devices, "dead_time_s": 0.5e-6, "switching_frequency_Hz": 12000.0}
    recording = at_point(0.8, 0.9, inverter=inverter, current_A=300.0, kind="sine")
    without = at_point(0.8, 0.9, inverter={"devices": MOSFET, "switching_frequency_Hz": 12000.0}, current_A=300.0)
    more = (mean(recording, "loss_conduction_W") - mean(without, "loss_conduction_W")) / 3.0
    what = "body diode in the dead time less the channel's share, a leg: 0.5 us, 12 kHz, 300 A, 4.2 V"
    # The sign of the current is smoothed in a band of the averaged legs (3 % of it here).
    verified(what, KOLAR, 9.62569 - 2.48400, more, 0.15, "W")


def test_the_body_diodes_slope(verified):
    """20 mohm in place of the channel's 4.6 mohm for two dead times a period: 2 Td fs (20 - 4.6) mohm I^2/2 a leg."""
    devices = MOSFET | {"diode": {"threshold_V": 0.0, "slope_ohm": 20e-3}}
    more = [
        mean(at_point(0.8, 0.9, inverter={"devices": one, "dead_time_s": 0.5e-6}, current_A=300.0), "loss_conduction_W")
        for one in (devices, MOSFET | {"diode": {"threshold_V": 0.0, "slope_ohm": 4.6e-3}})
    ]
    expected = 3.0 * 2.0 * 0.5e-6 * FS_HZ * (20e-3 - 4.6e-3) * 300.0**2 / 2.0
    what = "slope of the body diode in the dead time, bridge: 0.5 us, 10 kHz, 300 A"
    verified(what, KOLAR, expected, more[0] - more[1], 0.1, "W")


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_the_one_over_pi_rule(verified, model):
    """9.3 mJ in all at 300 A and 600 V, 10 kHz, 300 A: 29.60282 W a device, whichever part of it falls to which edge."""
    setting = gate(linear(5.0e-3), linear(3.5e-3), linear(0.8e-3))
    inverter = {"devices": MOSFET, "gate_settings": {"one": setting}}
    recording = at_point(0.8, 0.9, inverter=inverter, vdc=600.0, current_A=300.0, model=model, inductance_H=50e-3)
    found = mean(recording, "loss_switching_W") / 6.0
    what = f"switching loss a device by E I / pi, 9.3 mJ, 10 kHz, 300 A, {model}"
    verified(what, KOLAR, 29.60282, found, 0.1, "W")
    assert mean(recording, "loss_leg_a_W") == pytest.approx(mean(recording, "loss_inverter_W") / 3.0, rel=2e-3)


@pytest.mark.parametrize("model", ["averaged", "switched"])
@pytest.mark.parametrize("edge", ["on", "off"])
def test_when_only_one_edge_costs(verified, model, edge):
    """The edge follows or leads the middle of the period while the current turns on: off by pi^2 M sin(phi) f1/(8 fs)."""
    f1_Hz, depth, cosine = 500.0, 0.8, 0.6
    setting = gate(**{edge: linear(9.3e-3)})
    recording = at_point(depth, cosine, inverter={"devices": MOSFET, "gate_settings": {"one": setting}}, vdc=600.0,
                         current_A=300.0, model=model, f1_Hz=f1_Hz)  # fmt: skip
    share = math.pi**2 * depth * math.sqrt(1.0 - cosine**2) * f1_Hz / (8.0 * FS_HZ)
    expected = 29.60282 * (1.0 - share if edge == "on" else 1.0 + share)
    found = mean(recording, "loss_switching_W") / 6.0
    what = f"switching loss a device with turn-{edge} energy alone, f1/fs = 0.05, {model}"
    verified(what, "derived: double-edge pulses of a sine reference", expected, found, 0.12, "W")


@pytest.mark.parametrize("degrees, factor", [(0, 0.5), (15, 0.51704), (30, 0.56699), (45, 0.64645), (60, 0.75), (75, 0.83652)])
def test_discontinuous_modulation(verified, degrees, factor):
    setting = gate(linear(5.0e-3), linear(3.5e-3), linear(0.8e-3))
    inverter = {"devices": MOSFET, "gate_settings": {"one": setting}}
    recording = at_point(0.8, math.cos(math.radians(degrees)), inverter=inverter, vdc=600.0, current_A=300.0, kind="dpwm1")
    what = f"switching loss of DPWM1 over continuous modulation, phi = {degrees} deg"
    verified(what, KOLAR, factor, mean(recording, "loss_switching_W") / (6.0 * 29.60282), 0.012)


def test_voltage_and_temperature_scale_the_energies():
    setting = gate(linear(9.3e-3)) | {"voltage_exponent": 1.3, "temperature_coefficient_per_K": 0.002}
    base = {"devices": MOSFET, "gate_settings": {"one": setting}}
    cold = mean(at_point(0.8, 0.9, inverter=base, vdc=600.0), "loss_switching_W")
    high = mean(at_point(0.8, 0.9, inverter=base, vdc=800.0), "loss_switching_W")
    hot = base | {"devices": MOSFET | {"junction_degC": 125.0}}
    warm = mean(at_point(0.8, 0.9, inverter=hot, vdc=600.0), "loss_switching_W")
    assert high / cold == pytest.approx((800.0 / 600.0) ** 1.3, rel=2e-3)
    assert warm / cold == pytest.approx(1.2, rel=1e-6)


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_the_link_capacitor(verified, model):
    """20 mohm in the capacitor, the supply behind a choke: 0.593173^2 of the phase current's mean square."""
    recording = at_point(0.8, 0.9, inverter={"link_capacitor_resistance_ohm": 0.02}, kind="svpwm", model=model, link_F=1e-3,
                         supply={"resistance_ohm": 0.05, "inductance_H": 100e-6})  # fmt: skip
    what = f"loss in the link capacitor's resistance, M = 0.8, cos(phi) = 0.9, {model}"
    verified(what, CAPACITOR, 0.02 * 0.593173**2 * 5000.0, mean(recording, "loss_capacitor_W"), 0.25, "W")


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_gate_drivers(model):
    """Charge x swing for every turn-on of six switches at 10 kHz."""
    setting = gate(linear(1e-3), gate_charge_C=1e-6, gate_swing_V=20.0)
    recording = at_point(0.8, 0.9, inverter={"devices": MOSFET, "gate_settings": {"one": setting}}, model=model)
    assert mean(recording, "loss_gate_W") == pytest.approx(6 * 1e-6 * 20.0 * FS_HZ, rel=5e-3)


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_the_audit_closes_with_every_loss(model):
    setting = gate(linear(5.0e-3), linear(3.5e-3), linear(0.8e-3), gate_charge_C=1e-6, gate_swing_V=20.0)
    heat = {"coolant_degC": 60.0, "switch": {"foster": [[0.05, 0.01], [0.1, 0.2]]}, "diode": {"foster": [[0.1, 0.01]]}}
    inverter = {"devices": IGBT, "gate_settings": {"one": setting}, "heat": heat, "link_capacitor_resistance_ohm": 0.01,
                "dead_time_s": 1e-6}  # fmt: skip
    recording = at_point(0.8, 0.9, inverter=inverter, model=model, link_F=1e-3, supply={"resistance_ohm": 0.05})
    assert abs(recording.audit["residual_relative"]) < (1e-6 if model == "averaged" else 1e-5)
    losses = recording.audit["losses_J"]
    assert losses["switching"] > 1.0 and losses["gate_drivers"] > 0.01 and losses["link_capacitor"] > 0.1
    parts = sum(mean(recording, f"loss_{name}_W") for name in ("conduction", "switching", "gate", "capacitor"))
    assert mean(recording, "loss_inverter_W") == pytest.approx(parts, rel=1e-9)
    legs = sum(mean(recording, f"loss_leg_{leg}_W") for leg in "abc")
    assert legs == pytest.approx(mean(recording, "loss_conduction_W") + mean(recording, "loss_switching_W"), rel=2e-3)


def test_averaged_agrees_with_switched_over_a_grid():
    """A machine with ripple (0.2 and 0.6 mH), energies that differ from edge to edge: within 2 % at every point of a grid."""
    from shared_benches import BASE, merge

    setting = gate([[0, 0.2e-3], [150, 3.9e-3], [300, 9.0e-3], [450, 16e-3]], [[0, 0.1e-3], [150, 2.6e-3], [450, 11e-3]],
                   [[0, 0.1e-3], [150, 0.5e-3], [450, 1.1e-3]])  # fmt: skip
    worst = 0.0
    for speed, id_A, iq_A in ((500, 0, 100), (500, -100, -200), (2000, -60, 80), (2000, -242, 318), (2500, -100, 30)):
        found = []
        for model in ("averaged", "switched"):
            document = merge(BASE, {
                "inverter": {"model": model, "devices": MOSFET, "gate_settings": {"one": setting}},
                "load": {"speed_rpm": speed}, "commands": {"id_A": id_A, "iq_A": iq_A},
                "initial": {"id_A": id_A, "iq_A": iq_A}, "run": {"duration_s": 0.02 + 60.0 / speed / 4.0},
            })  # fmt: skip
            recording = Bench(scenario_from(document, path="grid.toml")).run()
            found.append(mean(recording, "loss_switching_W", 0.02, 0.02 + 60.0 / speed / 4.0))
        worst = max(worst, abs(found[0] / found[1] - 1.0))
    assert worst < 0.02


def test_one_leg_with_a_gate_resistor_ten_times_too_large():
    """Its energies alone are larger: only that leg's switching loss rises (a known kind of fault in the field)."""
    setting = gate(linear(5.0e-3), linear(3.5e-3), linear(0.8e-3))
    hot = {"gate_settings": {"one": {"energy_on_J": linear(50e-3)}}}
    devices = MOSFET | {"legs": [{}, hot, {}]}
    even = at_point(0.8, 0.9, inverter={"devices": MOSFET, "gate_settings": {"one": setting}})
    odd = at_point(0.8, 0.9, inverter={"devices": devices, "gate_settings": {"one": setting}})
    for leg in "ac":
        assert mean(odd, f"loss_leg_{leg}_W") == pytest.approx(mean(even, f"loss_leg_{leg}_W"), rel=1e-3)
    more = mean(odd, "loss_leg_b_W") - mean(even, "loss_leg_b_W")
    # 45 mJ more at 300 A and 600 V, here 100 A and 400 V: E I / pi for both switches of the leg.
    assert more == pytest.approx(2.0 * 45e-3 * FS_HZ / math.pi * (100.0 / 300.0) * (400.0 / 600.0), rel=6e-3)
    assert np.isfinite(odd["junction_degC"]).all()


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_without_current_a_period_costs_what_the_tables_begin_with(model):
    """All legs at half duty, no current: turn-on, turn-off and recovery at 0 A once a period and leg."""
    setting = gate([[0.0, 4e-3], [300.0, 9e-3]], [[0.0, 2e-3], [300.0, 5e-3]], [[0.0, 1e-3], [300.0, 1e-3]])
    document = {
        "machine": {"kind": "constants", "pole_pairs": 1, "stator_resistance_ohm": RESISTANCE, "inductance_d_H": INDUCTANCE,
                    "inductance_q_H": INDUCTANCE, "magnet_flux_Wb": 0.1, "max_current_A": 300, "max_speed_rpm": 5000},
        "inverter": {"switching_frequency_Hz": FS_HZ, "model": model, "devices": MOSFET, "gate_settings": {"one": setting}},
        "supply": {"kind": "source", "voltage_V": 600.0}, "load": {"kind": "locked"},
        "controller": {"mode": "current"}, "commands": {"id_A": 0.0, "iq_A": 0.0}, "run": {"duration_s": 0.02},
    }  # fmt: skip
    recording = Bench(scenario_from(document, path="idle.toml")).run()
    assert mean(recording, "loss_switching_W", 0.005, 0.02) == pytest.approx(3 * 7e-3 * FS_HZ, rel=2e-3)
