"""Which of the twelve devices loses what: a direct current along phase a of a locked machine.

Thermal networks of about 1 K/W show each device's mean loss.

Phase a carries I out of its leg, b and c half of it into theirs.  Out of a leg: upper switch for the duty, then the lower diode
(or a MOSFET's lower channel); it turns on against the lower diode and off into it.  Into a leg: the other way round.  Expected
values follow from this and the devices' laws: Mohan, Undeland, Robbins, Power Electronics, ch. 2 (from memory).
"""

import numpy as np
import pytest

from simcore import Bench
from simcore.scenario.reader import scenario_from

CURRENT, FS_HZ, VDC = 100.0, 10000.0, 400.0
SHARES = {"a": CURRENT, "b": -CURRENT / 2.0, "c": -CURRENT / 2.0}
KELVIN_A_WATT = {"foster": [[1.0, 2e-3]]}
MODELS = pytest.mark.parametrize("model", ["averaged", "switched"])


def standing(devices, *, model="averaged", setting=None, resistance_ohm=0.2, inductances_H=(5e-3, 5e-3), angle_deg=0.0,
             heat=None, lead_ohm=0.0, duration_s=0.06, **inverter):  # fmt: skip
    """=> Recording: voltage mode holds the current along phase a; lead_ohm: what the devices add to the resistance."""
    if heat is None:
        heat = {"coolant_degC": 0.0, "switch": KELVIN_A_WATT, "diode": KELVIN_A_WATT}
    on_q = angle_deg == 90.0  # there phase a lies on -q
    volts = (resistance_ohm + lead_ohm) * CURRENT
    document = {
        "machine": {"kind": "constants", "pole_pairs": 1, "stator_resistance_ohm": resistance_ohm, "magnet_flux_Wb": 0.0,
                    "inductance_d_H": inductances_H[0], "inductance_q_H": inductances_H[1], "max_current_A": 110,
                    "max_speed_rpm": 3000},
        "inverter": {"switching_frequency_Hz": FS_HZ, "model": model, "devices": devices, "heat": heat, **inverter},
        "supply": {"kind": "source", "voltage_V": VDC}, "load": {"kind": "locked"},
        "controller": {"mode": "voltage", "delay_updates": 0},
        "commands": {"vd_V": 0.0 if on_q else volts, "vq_V": -volts if on_q else 0.0},
        "initial": {"id_A": 0.0 if on_q else CURRENT, "iq_A": -CURRENT if on_q else 0.0, "angle_electrical_deg": angle_deg},
        "run": {"duration_s": duration_s},
    }  # fmt: skip
    if setting is not None:
        document["inverter"]["gate_settings"] = {"one": {"reference_voltage_V": VDC, **setting}}
    return Bench(scenario_from(document, path="standing.toml")).run()


def late(recording, signal):
    return float(np.mean(recording.slice(0.04, 0.06)[signal]))


def kelvin(recording, kind, side, leg):
    return late(recording, f"junction_{kind}_{side}_{leg}_degC")


def roles(leg):
    """=> (side whose switch carries the leg's current, side whose diode does)."""
    return ("upper", "lower") if SHARES[leg] > 0.0 else ("lower", "upper")


@MODELS
def test_each_edge_heats_the_switch_that_makes_it_and_the_diode_it_recovers(model):
    """Tables with bends, no conduction loss: E_on(i) + E_off(i) in the switch, E_rec(i) in the opposite diode, else nothing."""
    tables = {
        "energy_on_J": [[0, 0.5e-3], [30, 1.4e-3], [70, 3e-3], [140, 7e-3]],
        "energy_off_J": [[0, 0.2e-3], [60, 2e-3], [140, 6e-3]],
        "energy_recovery_J": [[0, 0.1e-3], [80, 0.5e-3], [140, 0.9e-3]],
    }
    recording = standing({"kind": "mosfet", "on_resistance_ohm": 1e-9}, model=model, setting=tables)
    for leg, current in SHARES.items():
        on, off, recovery = (np.interp(abs(current), *np.transpose(tables[name])) for name in tables)
        switch, diode = roles(leg)
        assert kelvin(recording, "switch", switch, leg) == pytest.approx(FS_HZ * (on + off), rel=0.01)
        assert kelvin(recording, "diode", diode, leg) == pytest.approx(FS_HZ * recovery, rel=0.01)
        assert abs(kelvin(recording, "switch", diode, leg)) < 1e-3 and abs(kelvin(recording, "diode", switch, leg)) < 1e-3


@MODELS
@pytest.mark.parametrize("angle_deg, inductance_H", [(0.0, 1e-3), (90.0, 2e-3)])
def test_the_ripple_moves_the_current_of_each_edge(model, angle_deg, inductance_H):
    """100 V over 1 ohm: duties 0.6875 and 0.3125.  Phase a turns off at the crest of its ripple and on at the trough, away from
    the mean by Vdc T/L x 2/3 (da - db)(1 - da): 1.5625 A for 1 mH on the d axis, half of it for 2 mH on q."""
    ripple = VDC * 50e-6 / inductance_H * 2.0 / 3.0 * 0.375 * 0.3125
    for edge, sign in (("energy_on_J", -1.0), ("energy_off_J", 1.0)):
        recording = standing(
            {"kind": "mosfet", "on_resistance_ohm": 1e-9}, model=model, resistance_ohm=1.0, angle_deg=angle_deg,
            inductances_H=(1e-3, 2e-3), setting={edge: [[0, 0.0], [200, 0.2]]},
        )  # fmt: skip
        expected = FS_HZ * 1e-3 * (CURRENT + sign * ripple)
        assert kelvin(recording, "switch", "upper", "a") == pytest.approx(expected, rel=2e-3)


def duty_of(recording, leg):
    return late(recording, f"duty_{leg}")


@MODELS
def test_igbts_and_diodes_at_their_own_temperatures(model):
    """Threshold and slope of every device at its own junction, which its loss holds: rise = R x share x (V(T) + r(T) i) i."""
    devices = {
        "kind": "igbt", "threshold_V": [[0, 1.0], [40, 1.2], [200, 2.4]], "slope_ohm": [[0, 4e-3], [200, 12e-3]],
        "diode": {"threshold_V": [[0, 0.8], [60, 0.9], [200, 2.0]], "slope_ohm": [[0, 2e-3], [200, 9e-3]]},
    }  # fmt: skip
    heat = {"coolant_degC": 20.0, "switch": {"foster": [[0.6, 2e-3]]}, "diode": {"foster": [[1.4, 2e-3]]}}
    recording = standing(devices, model=model, heat=heat, lead_ohm=0.02)
    alpha = late(recording, "ia_A")
    for leg, share in (("a", 1.0), ("b", -0.5), ("c", -0.5)):
        size = abs(share) * alpha
        switch, diode = roles(leg)
        on_switch = duty_of(recording, leg) if share > 0.0 else 1.0 - duty_of(recording, leg)
        for kind, side, part, law, resistance in (
            ("switch", switch, on_switch, devices, 0.6), ("diode", diode, 1.0 - on_switch, devices["diode"], 1.4),
        ):  # fmt: skip
            degC = kelvin(recording, kind, side, leg)
            volts, ohm = (np.interp(degC, *np.transpose(law[name])) for name in ("threshold_V", "slope_ohm"))
            assert degC - 20.0 == pytest.approx(resistance * part * (volts + ohm * size) * size, rel=0.01)
        assert kelvin(recording, "switch", diode, leg) == pytest.approx(20.0, abs=1e-3)
        assert kelvin(recording, "diode", switch, leg) == pytest.approx(20.0, abs=1e-3)
    sides = [f"{kind}_{side}" for kind in ("switch", "diode") for side in ("upper", "lower")]
    every = [recording[f"junction_{side}_{leg}_degC"] for side in sides for leg in "abc"]
    assert np.allclose(recording["junction_degC"], np.max(every, axis=0))


@MODELS
def test_the_dead_time_heats_the_body_diode_that_carries_the_current(model):
    """2 us of 100 us, twice a period: V(T) i in that diode; the channels have their duty less a dead time each period."""
    devices = {"kind": "mosfet", "on_resistance_ohm": 4e-3, "diode": {"threshold_V": [[0, 2.0], [100, 3.0]]}}
    recording = standing(devices, model=model, dead_time_s=2e-6, lead_ohm=0.05)
    alpha = late(recording, "ia_A")
    for leg, share in (("a", 1.0), ("b", -0.5), ("c", -0.5)):
        size, (_, diode) = abs(share) * alpha, roles(leg)
        degC = kelvin(recording, "diode", diode, leg)
        volts = np.interp(degC, [0.0, 100.0], [2.0, 3.0])
        assert degC == pytest.approx(2.0 * 2e-6 * FS_HZ * volts * size, rel=0.015)
        assert kelvin(recording, "diode", "upper" if diode == "lower" else "lower", leg) == pytest.approx(0.0, abs=1e-3)
        both = kelvin(recording, "switch", "upper", leg) + kelvin(recording, "switch", "lower", leg)
        assert both == pytest.approx(4e-3 * size**2 * (1.0 - 2.0 * 2e-6 * FS_HZ), rel=0.01)


@MODELS
def test_the_channels_resistance_over_current(model):
    """Half as much again at 100 A, a quarter at 50 A: 4 mohm x (1.5 x 100^2 + 2 x 1.25 x 50^2)."""
    devices = {"kind": "mosfet", "on_resistance_ohm": 4e-3, "on_resistance_over_current": [[0, 1.0], [200, 2.0]]}
    recording = standing(devices, model=model, lead_ohm=0.006)
    alpha = late(recording, "ia_A")
    expected = 4e-3 * alpha**2 * ((1.0 + alpha / 200.0) + 0.5 * (1.0 + alpha / 400.0))
    assert late(recording, "loss_conduction_W") == pytest.approx(expected, rel=5e-3)


def test_a_sink_of_two_nodes_rises_by_both_resistances():
    """All losses through 0.01 and 0.03 K/W in a row."""
    heat = {"coolant_degC": 0.0, "switch": {"foster": [[0.05, 2e-3]]}, "sink": {"cauer": [[0.2, 0.01], [0.2, 0.03]]}}
    recording = standing({"kind": "mosfet", "on_resistance_ohm": 20e-3}, heat=heat, lead_ohm=0.02, duration_s=0.15)
    loss_W = recording["loss_conduction_W"][-1]
    assert recording["sink_degC"][-1] == pytest.approx(0.04 * loss_W, rel=5e-3)
