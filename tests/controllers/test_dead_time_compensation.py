"""Dead-time compensation: harmonics as the handbook has them without it, hardly any with it, larger ones with a wrong delay.

Source: S.-G. Jeong, M.-H. Park, IEEE Trans. Ind. Electron. 38(2), 1991 (from memory): each leg loses dV = Td fs Vdc in the
direction of its current, harmonics (4/(h pi)) dV.  A compensation late by an angle delta leaves |1 - e^(-j h delta)| =
2 sin(h delta / 2) of them (derived).
"""

import cmath
import math
from functools import cache

import numpy as np
import pytest

from controllers.contract import Measured
from controllers.foc import FieldOrientedController
from simcore import Bench
from simcore.scenario.reader import scenario_from

JEONG = "Jeong, Park, IEEE TIE 38, 1991 [M]"
R, L, CURRENT, FS_HZ, VDC, DEAD_S = 0.02, 0.3e-3, 400.0, 12000.0, 800.0, 1e-6
DV = DEAD_S * FS_HZ * VDC
ON = {"dead_time_compensation": True}


def scenario(tuning, mode, commands, load, initial=None, duration_s=0.1, machine=None, **inverter):
    return scenario_from(
        {
            "machine": {
                "kind": "constants", "pole_pairs": 1, "stator_resistance_ohm": R, "inductance_d_H": L, "inductance_q_H": L,
                "magnet_flux_Wb": 0.0, "max_current_A": 500, "max_speed_rpm": 60000, **(machine or {}),
            },
            "inverter": {"switching_frequency_Hz": FS_HZ, "dead_time_s": DEAD_S, **inverter},
            "supply": {"kind": "source", "voltage_V": VDC},
            "load": load,
            "controller": {"mode": mode, "tuning": tuning},
            "commands": commands,
            "initial": initial or {},
            "run": {"duration_s": duration_s, "record_every": 1},
        },
        path="dead.toml",
    )  # fmt: skip


@cache
def orders(model, update, frequency, ahead=None, compensated=True):
    """Amplitudes of current a at orders 1, 5, 7: open loop, 20 mohm, 0.3 mH; `ahead` in updates, None: as the delay is."""
    voltage = complex(R, 2.0 * math.pi * frequency * L) * CURRENT + (0.0 if compensated else 4.0 / math.pi * DV)
    current = CURRENT * cmath.exp(-1j * cmath.phase(voltage))
    # The legs' own smoothed sign is made as narrow as the square wave of the source.
    tuning = {**ON, "compensation_band_A": 0.5} if compensated else {}
    if ahead is not None:
        tuning["compensation_delay_updates"] = ahead
    recording = Bench(scenario(
        tuning, "open_loop", {"voltage_V": abs(voltage), "frequency_Hz": frequency}, {"kind": "locked"},
        initial={"id_A": current.real, "iq_A": current.imag}, machine={"max_current_A": 1.0}, model=model, update=update,
    )).run()  # fmt: skip
    window = {"fundamental_Hz": frequency, "from_s": 0.05, "to_s": 0.1}
    return [recording.measure("ia_A", "harmonic_amplitude", order=n, **window) for n in (1, 5, 7)]


@pytest.mark.parametrize("update", ["double", "single"])
@pytest.mark.parametrize("model, left", [("averaged", 0.015), ("switched", 0.06)])
def test_fifth_and_seventh_current_vanish_with_it_and_are_the_handbooks_without(verified, model, left, update):
    """800 V, 12 kHz, 1 us, 100 Hz: 2.59324 A and 1.32323 A without.  What is left comes from signs taken once an update."""
    _, fifth, seventh = orders(model, update, 100.0, compensated=False)
    for name, expected, found in (("5th", 2.59324, fifth), ("7th", 1.32323, seventh)):
        what = f"{name} harmonic current in open loop, dead time 1 us, 12 kHz, 800 V, not compensated, {model} inverter"
        verified(what, JEONG + ", derived", expected, found, 0.01 * expected, "A", row=update == "double")
    first, *on = orders(model, update, 100.0)
    assert on[0] < left * fifth and on[1] < 1.5 * left * seventh
    # The fundamental is the one asked for.
    assert first == pytest.approx(CURRENT, rel=2e-3)


def test_a_wrong_sign_of_the_delay_leaves_what_the_angle_says(verified):
    """420 Hz: from -1.5 to +1.5 updates of 41.7 us are 18.9 degrees, 1.47 of the fifth and 1.83 of the seventh."""
    off = orders("averaged", "double", 420.0, compensated=False)
    right, wrong = (orders("averaged", "double", 420.0, ahead) for ahead in (1.5, -1.5))
    delta = 2.0 * math.pi * 420.0 * 3.0 * 0.5 / FS_HZ
    for name, order, at in (("5th", 5, 1), ("7th", 7, 2)):
        expected = 2.0 * math.sin(0.5 * order * delta)
        what = f"{name} harmonic current, compensated with a delay of the wrong sign, over the one without, 420 Hz"
        verified(what, "2 sin(h delta/2), derived", expected, wrong[at] / off[at], 0.03 * expected)
        assert wrong[at] > 1.3 * off[at]
        assert right[at] < 0.06 * off[at]
    assert orders("averaged", "double", 420.0) == right  # the default is the actual delay


@pytest.mark.parametrize("model, left", [("averaged", 0.02), ("switched", 0.1)])
def test_sixth_order_of_the_dq_voltage_vanishes(verified, model, left):
    """Frame on the current (d): (4/pi) 2/35 dV in phase, (4/pi) 12/35 dV in quadrature (Jeong and Park, derived)."""
    amplitudes = {}
    ohm, henry, amps, f = 1.5, 40e-3, 60.0, 10.0
    for tuning in ({}, ON):
        voltage = complex(ohm, 2.0 * math.pi * f * henry) * amps + (0.0 if tuning else 4.0 / math.pi * DV)
        commands = {"vd_V": voltage.real, "vq_V": voltage.imag}
        machine = {"stator_resistance_ohm": ohm, "inductance_d_H": henry, "inductance_q_H": henry, "max_current_A": 1.0}
        load = {"kind": "rig", "speed_rpm": 60.0 * f}
        recording = Bench(scenario(
            tuning, "voltage", commands, load, initial={"id_A": amps}, machine=machine, duration_s=0.2, model=model
        )).run()  # fmt: skip
        window = {"order": 6, "from_s": 0.1, "to_s": 0.2}
        amplitudes[bool(tuning)] = [recording.measure(name, "harmonic_amplitude", **window) for name in ("vd_V", "vq_V")]
    for axis, share, found in (("in phase with", 0.072757, 0), ("in quadrature to", 0.436539, 1)):
        off, on = amplitudes[False][found], amplitudes[True][found]
        what = f"voltage of order 6 in dq {axis} the current, voltage mode, not compensated, {model} inverter"
        verified(what, JEONG + ", derived", share * DV, off, 0.01 * 0.436539 * DV, "V", row=model == "switched")
        assert on < left * 0.436539 * DV


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_in_current_mode_the_ripple_of_order_6_falls(model):
    ripple = {}
    machine = {"magnet_flux_Wb": 0.1, "pole_pairs": 2}
    for compensated in (False, True):
        tuning = {"current_bandwidth_Hz": 50.0, "dead_time_compensation": compensated}
        commands, load = {"id_A": 0.0, "iq_A": 200.0}, {"kind": "rig", "speed_rpm": 3000}
        recording = Bench(scenario(
            tuning, "current", commands, load, initial={"iq_A": 200.0}, machine=machine, model=model, duration_s=0.2
        )).run()  # fmt: skip
        window = {"order": 6, "from_s": 0.15, "to_s": 0.2}
        ripple[compensated] = [recording.measure(name, "harmonic_amplitude", **window) for name in ("id_A", "iq_A")]
    assert ripple[False][0] > 1.0
    assert np.max(ripple[True]) < 0.1 * np.max(ripple[False])


# One update ---------------------------------------------------------------------------------------------------------------


REFERENCES = {
    "id_A": "id_reference_A", "iq_A": "iq_reference_A", "vd_V": "vd_reference_V", "vq_V": "vq_reference_V",
    "voltage_V": "voltage_reference_V", "frequency_Hz": "frequency_reference_Hz",
}  # fmt: skip


def duties(tuning=None, mode="voltage", speed_rpm=0.0, angle=0.0, currents=(30.0, -10.0, -20.0), commands=None, **inverter):
    """Leg duties that one update answers, without and with compensation => two arrays (3,)."""
    answers = []
    commands = commands or {"vd_V": 100.0, "vq_V": 40.0}
    absent = dict.fromkeys(Measured._fields[9:], float("nan"))
    asked = {REFERENCES[name]: value for name, value in commands.items()}
    for on in ({}, ON):
        made = scenario({**(tuning or {}), **on}, mode, commands, {"kind": "locked"}, **inverter)
        controller = FieldOrientedController()
        controller.reset(Bench(made).setup())
        seen = Measured(0.0, *currents, angle, speed_rpm, VDC, 25.0, 25.0, **(absent | asked))
        answers.append(np.array(controller.step(seen)[:3]))
    return answers


@pytest.mark.parametrize("update", ["double", "single"])
def test_each_leg_gets_td_fs_in_the_direction_of_its_current(update):
    off, on = duties({"compensation_band_A": 0.0}, update=update)
    assert on - off == pytest.approx(DEAD_S * FS_HZ * np.array([1.0, -1.0, -1.0]), abs=1e-15)
    off, on = duties({"compensation_band_A": 0.0}, currents=(-30.0, 10.0, 20.0), update=update)
    assert on - off == pytest.approx(-DEAD_S * FS_HZ * np.array([1.0, -1.0, -1.0]), abs=1e-15)


def test_the_sign_is_smoothed_in_the_band_and_by_default_as_the_legs_are():
    off, on = duties({"compensation_band_A": 5.0})
    currents = np.array([30.0, -10.0, -20.0])
    assert (on - off) / (DEAD_S * FS_HZ) == pytest.approx(currents / np.sqrt(currents**2 + 25.0), rel=1e-12)
    # Default: 99 % at a tenth of max_current_A, 50 A.
    off, on = duties(currents=(50.0, -25.0, -25.0))
    assert (on - off)[0] / (DEAD_S * FS_HZ) == pytest.approx(0.99, abs=1e-4)
    off, on = duties({"compensation_band_A": 0.0}, currents=(0.0, 0.0, 0.0))
    assert np.array_equal(on, off)


def test_the_believed_dead_time_may_be_another():
    off, on = duties({"compensation_band_A": 0.0, "dead_time_s": 3e-6})
    assert np.abs(on - off) == pytest.approx(3e-6 * FS_HZ, rel=1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("modulation, rail", [("dpwm_min", 0.0), ("dpwm_max", 1.0)])
def test_a_clamped_leg_gets_nothing(modulation, rail, sign):
    currents = (30.0 * sign, -10.0 * sign, -20.0 * sign)
    off, on = duties({"compensation_band_A": 0.0}, currents=currents, modulation=modulation)
    clamped = off == rail
    assert clamped.sum() == 1 and np.array_equal(on[clamped], off[clamped])
    assert np.abs(on - off)[~clamped] == pytest.approx(DEAD_S * FS_HZ, rel=1e-9)


def test_duties_stay_between_the_rails():
    commands = {"vd_V": 2.0 * VDC, "vq_V": 0.0}
    for sign in (1.0, -1.0):
        off, on = duties({"dead_time_s": 20e-6}, commands=commands, currents=(30.0 * sign, -10.0 * sign, -20.0 * sign))
        assert np.all(on >= 0.0) and np.all(on <= 1.0)


@pytest.mark.parametrize("ahead, expected", [(None, 1.5), (4.0, 4.0), (-1.5, -1.5), (0.0, 0.0)])
def test_the_current_vector_is_turned_ahead(ahead, expected):
    """Electrical speed x updates x 41.7 us; currents on the d axis, so that leg a carries cos of the angle."""
    tuning = {"compensation_band_A": 50.0, **({} if ahead is None else {"compensation_delay_updates": ahead})}
    off, on = duties(tuning, speed_rpm=12000.0, currents=(40.0, -20.0, -20.0))
    turned = 2.0 * math.pi * 200.0 * expected * 0.5 / FS_HZ
    legs = 40.0 * np.cos(turned - np.array([0.0, 2.0, 4.0]) * math.pi / 3.0)
    assert (on - off) / (DEAD_S * FS_HZ) == pytest.approx(legs / np.sqrt(legs**2 + 2500.0), rel=1e-9)


def test_where_there_are_references_their_signs_count():
    """Measured current on +d, reference on -q: legs a, b, c carry 0, -, + of the reference."""
    commands = {"id_A": 0.0, "iq_A": -40.0}
    off, on = duties({"compensation_band_A": 0.0}, "current", commands=commands, currents=(40.0, -20.0, -20.0))
    assert (on - off)[1:] == pytest.approx(DEAD_S * FS_HZ * np.array([-1.0, 1.0]), rel=1e-9)


def test_open_loop_turns_the_measured_current_at_its_own_frequency():
    commands = {"voltage_V": 100.0, "frequency_Hz": 500.0}
    tuning = {"compensation_band_A": 50.0}
    # The position sensor says otherwise and is not asked.
    off, on = duties(tuning, "open_loop", commands=commands, currents=(40.0, -20.0, -20.0), speed_rpm=-9000.0, angle=2.0)
    legs = 40.0 * np.cos(2.0 * math.pi * 500.0 * 1.5 * 0.5 / FS_HZ - np.array([0.0, 2.0, 4.0]) * math.pi / 3.0)
    assert (on - off) / (DEAD_S * FS_HZ) == pytest.approx(legs / np.sqrt(legs**2 + 2500.0), rel=1e-9)


@pytest.mark.parametrize("mode", ["current", "open_loop"])
def test_compiled_and_python_steps_give_equal_bits(mode):
    commands = {"current": {"iq_A": 50.0}, "open_loop": {"voltage_V": 20.0, "frequency_Hz": 200.0}}[mode]
    load = {"kind": "rig", "speed_rpm": 6000} if mode == "current" else {"kind": "locked"}
    made = scenario(ON, mode, commands, load, duration_s=0.01)
    compiled, python = Bench(made).run(), Bench(made).run(in_python=True)
    for name in compiled.signals:
        assert np.array_equal(compiled[name], python[name], equal_nan=True), name
