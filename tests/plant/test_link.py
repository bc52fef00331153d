"""The link against the closed forms of the RC and RLC circuit, with an inverter current that is held constant.

Kirchhoff's laws. The machine is given an inductance so large that its currents move by less than 1e-3 in a run; the link
then sees the current sum(duty x phase current), here 100 A x (duty_a - duty_b) at rotor angle 0 with id = 100 A.
"""

import math

import numpy as np
import pytest

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

SOURCE_V, CAPACITANCE = 600.0, 500e-6


class Legs(Controller):
    def __init__(self, share):
        self.share = share

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(0.5 + 0.5 * self.share, 0.5 - 0.5 * self.share, 0.5 - 0.5 * self.share)


def run(current_A, resistance_ohm, inductance_H, *, duration_s=0.02, model="averaged", switching_Hz=20000, substeps=4):
    scenario = scenario_from(
        {
            "machine": {
                "kind": "constants", "pole_pairs": 1, "stator_resistance_ohm": 0.0, "inductance_d_H": 100.0,
                "inductance_q_H": 90.0, "magnet_flux_Wb": 0.01, "max_current_A": 400, "max_speed_rpm": 1000,
            },
            "inverter": {"switching_frequency_Hz": switching_Hz, "link_capacitance_F": CAPACITANCE, "model": model},
            "supply": {
                "kind": "source", "voltage_V": SOURCE_V, "resistance_ohm": resistance_ohm, "inductance_H": inductance_H,
            },
            "load": {"kind": "locked"},
            "controller": {"mode": "voltage", "delay_updates": 0},
            "commands": {"vd_V": 0.0},
            "initial": {"id_A": 100.0},
            "run": {"duration_s": duration_s, "substeps": substeps, "record_every": 1},
        },
        path="link.toml",
    )  # fmt: skip
    return Bench(scenario, controller=Legs(current_A / 100.0)).run()


def rlc(t, current_A, r, inductance):
    """Underdamped step: link voltage and choke current after the inverter starts to draw current_A at t = 0."""
    a = r / (2.0 * inductance)
    w = math.sqrt(1.0 / (inductance * CAPACITANCE) - a * a)
    # x = v - (Vs - R I), x(0) = R I, C x'(0) = i(0) - I = -I.
    x = np.exp(-a * t) * (r * current_A * np.cos(w * t) + (a * r * current_A - current_A / CAPACITANCE) / w * np.sin(w * t))
    slope = np.exp(-a * t) * (
        -current_A / CAPACITANCE * np.cos(w * t)
        - (w * r * current_A + a / w * (a * r * current_A - current_A / CAPACITANCE)) * np.sin(w * t)
    )
    return SOURCE_V - r * current_A + x, current_A + CAPACITANCE * slope


@pytest.mark.parametrize("current_A", [80.0, -80.0])
def test_step_of_current_on_a_resistive_source(verified, current_A):
    # v = Vs - R I (1 - e^(-t/RC)).
    resistance = 0.4
    recording = run(current_A, resistance, 0.0, duration_s=2e-3)
    t = recording.time_s
    expected = SOURCE_V - resistance * current_A * (1.0 - np.exp(-t / (resistance * CAPACITANCE)))
    assert recording["link_voltage_V"] == pytest.approx(expected, abs=3e-3)
    k = np.argmin(np.abs(t - resistance * CAPACITANCE))
    what = f"link voltage one time constant after a step of {current_A:g} A, 600 V, 0.4 ohm, 500 uF"
    verified(what, "RC circuit, closed form", expected[k], recording["link_voltage_V"][k], 3e-3, "V")
    assert recording["link_current_A"] == pytest.approx(np.full(len(t), current_A), rel=1e-4)
    # Means over a row of what the source gives: (Vs - v)/R integrated.
    edges = np.append(t, recording.closing_time_s)
    charge = current_A * (edges + resistance * CAPACITANCE * np.exp(-edges / (resistance * CAPACITANCE)))
    assert recording["supply_current_A"] == pytest.approx(np.diff(charge) / recording.row_s, abs=1e-2)
    assert (recording["link_voltage_V"][-1] > SOURCE_V) == (current_A < 0.0)


@pytest.mark.parametrize("current_A", [80.0, -80.0])
def test_step_of_current_on_a_source_with_a_choke(verified, current_A):
    resistance, inductance = 0.05, 50e-6
    recording = run(current_A, resistance, inductance)
    edges = np.append(recording.time_s, recording.closing_time_s)
    volts, amperes = rlc(edges, current_A, resistance, inductance)
    assert recording["link_voltage_V"] == pytest.approx(volts[:-1], abs=1e-2)
    extreme = np.argmax(np.abs(volts[:-1] - SOURCE_V))
    what = f"farthest link voltage after a step of {current_A:g} A, 600 V, 50 mohm, 50 uH, 500 uF"
    verified(what, "RLC circuit, closed form", volts[extreme], recording["link_voltage_V"][extreme], 1e-2, "V")
    assert recording.closing["link_voltage_V"] == pytest.approx(volts[-1], abs=1e-2)
    assert recording.closing["supply_inductance_current_A"] == pytest.approx(amperes[-1], abs=0.1)
    # Row means of the choke current: charge into the capacitor plus what the inverter took.
    charge = CAPACITANCE * np.diff(volts) + current_A * recording.row_s
    assert recording["supply_current_A"] == pytest.approx(charge / recording.row_s, abs=0.1)


def test_it_rings_at_the_resonance(verified):
    # No resistance: amplitude I sqrt(L/C), frequency 1/(2 pi sqrt(LC)) = 1006.58 Hz for 50 uH and 500 uF.
    inductance = 50e-6
    recording = run(60.0, 0.0, inductance, duration_s=0.05)
    swing = recording["link_voltage_V"] - SOURCE_V
    expected = 60.0 * math.sqrt(inductance / CAPACITANCE)
    what = "amplitude of the link's ringing after a step of 60 A, 50 uH, 500 uF"
    verified(what, "I sqrt(L/C), closed form", expected, swing.max(), 2e-3 * expected, "V")
    rising = np.flatnonzero((swing[:-1] < 0.0) & (swing[1:] >= 0.0))
    crossings = recording.time_s[rising] - swing[rising] * recording.row_s / (swing[rising + 1] - swing[rising])
    frequency = (len(crossings) - 1) / (crossings[-1] - crossings[0])
    what = "frequency of the link's ringing, 50 uH, 500 uF"
    verified(what, "1/(2 pi sqrt(L C)), closed form", 1006.58, frequency, 2e-4 * 1006.58, "Hz")
    assert abs(recording.audit["residual_relative"]) < 1e-5


def test_energy_taken_back_is_in_the_capacitor():
    # 80 A of regeneration into 500 uF behind 4 ohm: for a short time nearly all of it raises the link.
    recording = run(-80.0, 4.0, 0.0, duration_s=100e-6)
    stored = 0.5 * CAPACITANCE * (recording.closing["link_voltage_V"] ** 2 - SOURCE_V**2)
    regenerated = -(recording["power_link_W"] * recording.row_s).sum()
    given_back = -(recording["power_supply_W"] * recording.row_s).sum()
    changes = recording.audit["stored_changes_J"]
    assert changes["link_capacitor"] == pytest.approx(stored, rel=1e-9)
    assert stored == pytest.approx(regenerated - given_back - recording.audit["losses_J"]["supply_resistance"], rel=1e-6)
    assert stored > 0.95 * regenerated


def test_steady_link_voltage_is_the_sources_less_r_i():
    recording = run(50.0, 0.2, 20e-6, duration_s=0.01)
    assert recording["link_voltage_V"][-1] == pytest.approx(SOURCE_V - 0.2 * 50.0, abs=5e-3)
    assert recording["supply_current_A"][-1] == pytest.approx(50.0, rel=1e-3)
    assert recording["power_supply_W"][-1] == pytest.approx(SOURCE_V * 50.0, rel=1e-3)
    assert recording["loss_supply_W"][-1] == pytest.approx(0.2 * 50.0**2, rel=2e-3)


def test_a_source_without_impedance_is_stiff():
    scenario = run(80.0, 0.0, 0.0)
    assert np.array_equal(scenario["link_voltage_V"], np.full(len(scenario), SOURCE_V))
    assert scenario["supply_current_A"] == pytest.approx(scenario["link_current_A"], rel=1e-12)


def test_switched_legs_draw_pulses_with_the_same_mean():
    # The pulse of 100 A for 80 % of the time: the capacitor's ripple rides on the averaged solution.
    resistance = 0.4
    averaged = run(80.0, resistance, 0.0, duration_s=2e-3)
    switched = run(80.0, resistance, 0.0, duration_s=2e-3, model="switched")
    assert switched["link_current_A"] == pytest.approx(averaged["link_current_A"], rel=1e-4)
    # Ripple of the capacitor within a carrier period: at most (100 - 80) A x 0.4 of 50 us / C = 0.8 V.
    assert switched["link_voltage_V"] == pytest.approx(averaged["link_voltage_V"], abs=0.8)


def test_regeneration_raises_the_link_and_motoring_lowers_it(verified):
    recordings = {}
    for speed_rpm in (1500.0, -1500.0):
        scenario = scenario_from(
            {
                "machine": {
                    "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.2e-3,
                    "inductance_q_H": 0.6e-3, "magnet_flux_Wb": 0.07, "max_current_A": 400, "max_speed_rpm": 20000,
                },
                "inverter": {"switching_frequency_Hz": 10000, "link_capacitance_F": CAPACITANCE},
                "supply": {"kind": "source", "voltage_V": 400, "resistance_ohm": 0.3},
                "load": {"kind": "rig", "speed_rpm": speed_rpm},
                "controller": {"mode": "torque"},
                "commands": {"torque_Nm": 100.0},
                "run": {"duration_s": 0.05, "record_every": 1},
            },
            path="regeneration.toml",
        )  # fmt: skip
        recordings[speed_rpm] = Bench(scenario).run()
    for speed_rpm, recording in recordings.items():
        # Shaft power plus copper from a source of 400 V behind 0.3 ohm: 400 i - 0.3 i^2 = P.
        shaft = 100.0 * speed_rpm * math.pi / 30.0
        copper = recording["loss_copper_W"][-1]
        amperes = (400.0 - math.sqrt(400.0**2 - 4.0 * 0.3 * (shaft + copper))) / 0.6
        source = "power balance of a source behind its resistance, closed form"
        at = f"at 100 Nm, {speed_rpm:g} rpm, 400 V behind 0.3 ohm"
        verified(f"battery current {at}", source, amperes, recording["supply_current_A"][-1], 1e-3 * abs(amperes), "A")
        verified(f"link voltage {at}", source, 400.0 - 0.3 * amperes, recording["link_voltage_V"][-1], 0.02, "V")
        # P_dc = V I at the link.
        product = recording["link_voltage_V"][-1] * recording["link_current_A"][-1]
        assert recording["power_link_W"][-1] == pytest.approx(product, rel=1e-4)
    assert recordings[-1500.0]["link_voltage_V"][-1] > 400.0 > recordings[1500.0]["link_voltage_V"][-1]
