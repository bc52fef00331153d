"""Supplies by their closed forms: six-pulse rectifier, brake chopper, battery with an RC pair.

Sources: mean and harmonics of the six-pulse rectifier, textbook (N. Mohan, T. Undeland, W. Robbins, Power Electronics, from
memory); chopper times from C v dv/dt = P - v^2/R, derived here; battery as a Thevenin circuit with one RC pair, textbook.
"""

import math
from functools import cache

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

SIX_PULSE = "six-pulse rectifier, Mohan et al., Power Electronics [M]"
CHOPPER = "C v dv/dt = P - v^2/R, derived"
THEVENIN = "Thevenin circuit with an RC pair, closed form"
LINE_V = 400.0
MEAN_V = 3.0 * math.sqrt(2.0) / math.pi * LINE_V
MACHINE = {
    "kind": "constants", "pole_pairs": 4, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.25e-3, "inductance_q_H": 0.25e-3,
    "magnet_flux_Wb": 0.06, "max_current_A": 400, "max_speed_rpm": 20000,
}  # fmt: skip


class Idle(Controller):
    """Zero vectors."""

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(0.5, 0.5, 0.5)


def fed(supply, capacitance_F, duration_s, load=None, commands=None, controller=None, record_every=1, substeps=2, **machine):
    """(supply, link capacitor, load, torque) => Recording of a drive on that supply."""
    document = {
        "machine": {**MACHINE, **machine},
        "inverter": {"switching_frequency_Hz": 10000, "link_capacitance_F": capacitance_F},
        "supply": supply,
        "load": load or {"kind": "locked"},
        "controller": {"mode": "torque", "tuning": {"current_bandwidth_Hz": 300}},
        "commands": commands or {"torque_Nm": 0.0},
        "run": {"duration_s": duration_s, "record_every": record_every, "substeps": substeps},
    }  # fmt: skip
    return Bench(scenario_from(document, path="fed.toml"), controller=controller).run()


RECTIFIER = {"kind": "rectifier", "line_voltage_V": LINE_V, "frequency_Hz": 50.0, "resistance_ohm": 0.3, "inductance_H": 2e-3}
CAPACITANCE = 1e-3
# A constant power is a negative conductance P/V^2: R/L = 150/s must outweigh P/(V^2 C) = 70/s, or the choke swings.


@cache
def rectified():
    """20 kW drawn from the link: the choke's current never ends (continuous conduction).  The last 100 ms of 1 s."""
    return fed({**RECTIFIER, "auxiliary_W": 20000.0}, CAPACITANCE, 1.0, controller=Idle(), magnet_flux_Wb=1e-9)


def last(recording, signal):
    return recording[signal][-2000:]


def test_mean_voltage_of_the_six_pulse_bridge(verified):
    """3 sqrt2/pi of the line voltage, 540.19 V at 400 V; the resistance takes R I of it."""
    recording = rectified()
    supply_A = last(recording, "supply_current_A")
    assert supply_A.min() > 1.0
    found = np.mean(last(recording, "link_voltage_V")) + 0.3 * np.mean(supply_A)
    verified("mean voltage of the rectified 400 V mains, choke in the link", SIX_PULSE, MEAN_V, found, 2e-4 * MEAN_V, "V")
    given, lost = np.mean(last(recording, "power_supply_W")), np.mean(last(recording, "loss_supply_W"))
    assert given == pytest.approx(20000.0 + lost, rel=1e-3)
    assert abs(recording.audit["residual_relative"]) < 1e-5


def test_ripple_at_six_times_the_mains_frequency(verified):
    """Source harmonic 2/(n^2 - 1) of the mean at n = 6, 12; choke and capacitor pass a closed share of it.

    The constant power acts as the conductance -P/V^2 on a ripple.
    """
    recording = rectified()
    link_V = last(recording, "link_voltage_V")
    time_s = recording.time_s[-2000:]
    conductance = -20000.0 / np.mean(link_V) ** 2
    for order in (6, 12):
        w = 2.0 * math.pi * 50.0 * order
        share = 1.0 / (1.0 + complex(0.3, w * 2e-3) * complex(conductance, w * CAPACITANCE))
        expected = MEAN_V * 2.0 / (order**2 - 1.0) * abs(share)
        found = abs(2.0 * np.mean(link_V * np.exp(-1j * w * time_s)))
        what = f"link ripple at {order} times the mains frequency, 2 mH and 1 mF"
        verified(what, SIX_PULSE, expected, found, 1e-2 * expected, "V", row=order == 6)


def test_without_a_load_the_link_charges_to_the_crest():
    """sqrt2 x 400 V = 565.7 V but for the last tenths, and no current comes back when the mains fall."""
    recording = fed(RECTIFIER, CAPACITANCE, 0.6, controller=Idle(), record_every=10, magnet_flux_Wb=1e-9)
    assert recording["link_voltage_V"].min() > 0.0 and recording["supply_current_A"].min() >= 0.0
    found = recording["link_voltage_V"]
    assert math.sqrt(2.0) * LINE_V - 0.3 < found[-1] < math.sqrt(2.0) * LINE_V
    assert np.all(np.diff(found) > -1e-9)


def test_mains_without_ripple_give_the_mean():
    recording = fed({**RECTIFIER, "frequency_Hz": 0.0, "auxiliary_W": 5000.0}, CAPACITANCE, 0.4, controller=Idle(),
                    record_every=10, magnet_flux_Wb=1e-9)  # fmt: skip
    current = recording["supply_current_A"][-1]
    assert recording["link_voltage_V"][-1] + 0.3 * current == pytest.approx(MEAN_V, abs=1e-3)


ON_V, OFF_V, BRAKE_OHM, BRAKE_NM, RPM = 750.0, 720.0, 12.0, -100.0, 2500.0


@pytest.fixture(scope="module")
def braking():
    """100 Nm of braking at 2500 rpm into a rectifier's link of 1 mF with a chopper: nothing goes back to the mains."""
    supply = {**RECTIFIER, "inductance_H": 0.0, "resistance_ohm": 0.2, "chopper": {
        "resistance_ohm": BRAKE_OHM, "on_above_V": ON_V, "off_below_V": OFF_V,
    }}  # fmt: skip
    torque = {"torque_Nm": [[0.0, 0.0], [0.02, BRAKE_NM]]}
    return fed(supply, CAPACITANCE, 0.3, {"kind": "rig", "speed_rpm": RPM}, torque, substeps=20)


def cycles(recording):
    """=> rows in which the chopper turns on, after the first half of the run; the share of each row it is on."""
    middle_V = 0.5 * (recording["link_voltage_V"][:-1] + recording["link_voltage_V"][1:])
    share = recording["loss_chopper_W"][:-1] * BRAKE_OHM / middle_V**2
    begins = np.flatnonzero((share[:-1] < 0.01) & (share[1:] >= 0.01)) + 1
    return begins[begins > len(share) // 2], share


def test_chopper_duty_of_a_braking_drive(verified, braking):
    """Link at 750/720 V, 12 ohm: off for C (Von^2 - Voff^2)/(2 P), on for R C/2 ln((Von^2/R - P)/(Voff^2/R - P))."""
    begins, share = cycles(braking)
    power = -np.mean(braking["power_link_W"][begins[0] : begins[-1]])
    # What the machine gives: braking power less copper.
    current = BRAKE_NM / (1.5 * 4 * 0.06)
    assert power == pytest.approx(-BRAKE_NM * RPM * math.pi / 30.0 - 1.5 * 0.01 * current**2, rel=2e-3)
    off_s = CAPACITANCE * (ON_V**2 - OFF_V**2) / (2.0 * power)
    on_s = 0.5 * BRAKE_OHM * CAPACITANCE * math.log((ON_V**2 / BRAKE_OHM - power) / (OFF_V**2 / BRAKE_OHM - power))
    duty, period_s = on_s / (on_s + off_s), on_s + off_s
    found = np.mean(share[begins[0] : begins[-1]])
    what = "duty of the brake chopper, 26 kW into 12 ohm at 750/720 V, 1 mF"
    verified(what, CHOPPER, duty, found, 0.01 * duty)
    found = (begins[-1] - begins[0]) * braking.row_s / (len(begins) - 1)
    # Looked at once a solver step of 2.5 us: up to 5 us a cycle are gone over.
    verified("period of the brake chopper in the same case", CHOPPER, 1e3 * period_s, 1e3 * found, 0.01, "ms")
    assert braking["link_voltage_V"].max() < ON_V + 1.0


def test_the_brake_resistor_takes_what_the_link_gives(verified, braking):
    begins, _ = cycles(braking)
    over = slice(begins[0], begins[-1])
    given = -np.sum(braking["power_link_W"][over] * braking.row_s)
    burnt = np.sum(braking["loss_chopper_W"][over] * braking.row_s)
    what = "energy in the brake resistor over whole cycles, over what the drive gives"
    verified(what, "conservation of energy", 1.0, burnt / given, 2e-3)
    assert braking["supply_current_A"].min() >= 0.0
    assert np.all(braking["supply_current_A"][over] == 0.0)
    assert abs(braking.audit["residual_relative"]) < 1e-5


BATTERY = {
    "kind": "battery", "open_circuit_voltage_V": [[0.0, 600.0], [1.0, 700.0]], "resistance_ohm": 0.08,
    "polarisation_resistance_ohm": 0.05, "polarisation_time_constant_s": 0.15, "capacity_Ah": 1.0, "state_of_charge": 0.8,
}  # fmt: skip


@cache
def discharged():
    """120 Nm at 3000 rpm from 0.05 to 0.65 s, then nothing; a capacity of 1 Ah makes the charge move."""
    torque = [[0.0, 0.0], [0.05, 120.0], [0.65, 0.0]]
    return fed(BATTERY, 500e-6, 1.4, {"kind": "rig", "speed_rpm": 3000.0}, {"torque_Nm": torque})


def test_battery_voltage_follows_its_circuit(verified):
    """Recorded current into an independent solution of the circuit: OCV(charge) - R0 i - v, v' = (R1 i - v)/tau."""
    recording = discharged()
    current, time_s = recording["supply_current_A"], recording.time_s

    def rate(t, x):
        i = current[min(int(t / recording.row_s), len(current) - 1)]
        return [-i / 3600.0, (0.05 * i - x[1]) / 0.15]

    answer = solve_ivp(rate, (0.0, time_s[-1]), [0.8, 0.0], t_eval=time_s, max_step=1e-3, rtol=1e-9, atol=1e-12)
    expected = 600.0 + 100.0 * answer.y[0] - answer.y[1]
    # Row k's current is the mean over the tick that begins there: the voltage over R0 lies between this row and the next.
    found = 0.5 * (recording["link_voltage_V"][:-1] + recording["link_voltage_V"][1:]) + 0.08 * current[:-1]
    calm = (np.abs(np.diff(current, append=0.0)) < 1.0) & (np.abs(np.diff(current, prepend=0.0)) < 1.0)
    assert np.count_nonzero(~calm) < 100
    assert found[calm[:-1]] == pytest.approx(expected[:-1][calm[:-1]], abs=0.05)
    assert recording["state_of_charge"] == pytest.approx(answer.y[0], abs=1e-6)


def test_relaxation_after_a_discharge(verified):
    """Current off: R0 i comes back at once, the rest with 0.15 s: v(t) = OCV - v0 exp(-t/tau)."""
    recording = discharged()
    time_s, link_V = recording.time_s, recording["link_voltage_V"]
    rest = recording["link_voltage_V"][-1]
    settled = 600.0 + 100.0 * recording["state_of_charge"][-1]
    at = (time_s > 0.67) & (time_s < 1.1)
    slope, _ = np.polyfit(time_s[at], np.log(settled - link_V[at]), 1)
    verified("time constant of a battery's voltage after the load is gone", THEVENIN, 0.15, -1.0 / slope, 1e-3, "s")
    assert settled - rest < 0.1
    before, after = np.flatnonzero(time_s < 0.65)[-1], np.flatnonzero(time_s > 0.67)[0]
    current = recording["supply_current_A"][before]
    # 20 ms later the pair has lost 1 - exp(-20/150) of its voltage; its own voltage then was R1 i (1 - exp(-0.6/0.15)) or so.
    pair = settled - link_V[after]
    jump = link_V[after] - link_V[before]
    lost_of_pair = pair * (math.exp((time_s[after] - 0.65) / 0.15) - 1.0)
    what = "battery voltage that comes back at once when the current ends"
    verified(what, THEVENIN, 0.08 * current, jump - lost_of_pair, 0.15, "V")


def test_charge_is_counted_and_every_joule_kept():
    recording = discharged()
    coulombs = np.sum(recording["supply_current_A"] * recording.row_length_s)
    assert 0.8 - recording["state_of_charge"][-1] == pytest.approx(coulombs / 3600.0, rel=1e-3)
    assert abs(recording.audit["residual_relative"]) < 1e-6
