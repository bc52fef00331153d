"""Gates off at speed: what the diodes make of the EMF.  Machine E (invented): 4 pole pairs, 10 mohm, 0.2/0.6 mH, 70 mWb.

Sources: onset sqrt(3) omega psi = Vdc and sustained speed of the fundamental rectifier model, T. M. Jahns, V. Caliskan, IEEE
Trans. Ind. Appl. 35(6), 1999 [M], re-derived; exact means, the true sustained limit and the link's run-up: event-located diode
solutions computed independently of this project by two methods that agree to 2e-4 [D].
"""

import math
from functools import cache

import numpy as np
import pytest

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

VDC, PSI, POLES, LD, LQ = 400.0, 0.07, 4, 0.2e-3, 0.6e-3
EXACT = "event-located diode solution, two methods [D]"
FORMULA = "Jahns, Caliskan 1999 [M], re-derived"
ONSET_RPM = VDC / (math.sqrt(3.0) * PSI * POLES) * 30.0 / math.pi
MACHINE = {
    "kind": "constants", "pole_pairs": POLES, "stator_resistance_ohm": 0.01, "inductance_d_H": LD, "inductance_q_H": LQ,
    "magnet_flux_Wb": PSI, "max_current_A": 400, "max_speed_rpm": 20000,
}  # fmt: skip


class Off(Controller):
    """All gates off, always."""

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(0.5, 0.5, 0.5, gates_on=False)


def coast(speed_rpm, duration_s, supply=None, substeps=4, capacitance_F=1e-3, faults=(), record_every=1, **machine):
    document = {
        "machine": {**MACHINE, **machine},
        "inverter": {"switching_frequency_Hz": 10000, "link_capacitance_F": capacitance_F},
        "supply": {"kind": "source", "voltage_V": VDC, **(supply or {})},
        "load": {"kind": "rig", "speed_rpm": speed_rpm},
        "controller": {"mode": "current", "delay_updates": 0},
        "commands": {"id_A": 0.0, "iq_A": 0.0},
        "fault": list(faults),
        "run": {"duration_s": duration_s, "substeps": substeps, "record_every": record_every},
    }  # fmt: skip
    return Bench(scenario_from(document, path="coast.toml"), controller=Off()).run()


# Speed: current into the battery, torque, phase current peak and rms.
MEANS = {9000.0: (124.05, -52.926, 135.98, 93.635), 12000.0: (266.52, -85.768, 281.87, 197.59)}


@pytest.mark.parametrize("speed_rpm", MEANS)
def test_means_at_constant_speed(verified, speed_rpm):
    """Ideal 400 V battery, from rest; the last of 0.4 s, whole electrical periods."""
    recording = coast(speed_rpm, 0.4)
    rows = slice(len(recording) - 4000, None)  # 0.2 s: 120 or 160 periods
    battery_A, torque, peak, rms = MEANS[speed_rpm]
    phase = np.array([recording[name][rows] for name in ("ia_A", "ib_A", "ic_A")])
    at = f"gates off, machine E at {speed_rpm:g} rpm on 400 V: "
    found = -np.mean(recording["supply_current_A"][rows])
    verified(at + "current into the battery", EXACT, battery_A, found, 5e-4 * battery_A, "A")
    found = np.mean(recording["power_shaft_W"][rows]) / (speed_rpm * math.pi / 30.0)
    verified(at + "mean torque", EXACT, torque, found, -5e-4 * torque, "Nm")
    verified(at + "phase current, peak", EXACT, peak, np.max(np.abs(phase)), 1e-3 * peak, "A")
    verified(at + "phase current, rms", EXACT, rms, np.sqrt(np.mean(phase**2)), 5e-4 * rms, "A")
    assert abs(recording.audit["residual_relative"]) < 1e-5
    assert abs(recording.audit["losses_J"]["conduction"]) < 1e-6 * recording.audit["energy_in_J"]


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_nothing_flows_below_the_onset_and_something_above(verified, direction):
    """sqrt(3) omega psi = Vdc: 7876.13 rpm, either way round."""
    assert ONSET_RPM == pytest.approx(7876.13, abs=0.01)
    below, above = (coast(direction * ONSET_RPM * share, 0.05, substeps=8) for share in (0.9999, 1.0003))
    assert np.max(np.abs(below["ia_A"])) < 1e-9 and np.max(np.abs(below["torque_Nm"])) < 1e-9
    assert np.max(np.abs(above["ia_A"])) > 1e-4
    found = ONSET_RPM  # by halving between the two
    low, high = 0.9999, 1.0003
    for _ in range(4):
        middle = 0.5 * (low + high)
        flows = np.max(np.abs(coast(direction * ONSET_RPM * middle, 0.05, substeps=8)["ia_A"])) > 1e-9
        low, high = (low, middle) if flows else (middle, high)
        found = ONSET_RPM * high
    verified("speed from which the diodes conduct, machine E on 400 V", FORMULA, 7876.13, found, 0.5, "rpm")


@cache
def slowing_down():
    """xi = Lq/Ld = 5: from 9000 rpm, where the currents are large, to 7720 and then slowly down to 7630."""
    profile = {"shape": "linear", "points": [[0.0, 9000.0], [0.3, 9000.0], [1.0, 7720.0], [3.0, 7630.0]]}
    return coast(profile, 3.0, record_every=4, inductance_q_H=5 * LD)


def test_a_very_salient_machine_goes_on_below_the_onset(verified):
    """Once it conducts it goes on to 7663 rpm; the fundamental model alone would say 2 sqrt(xi - 1)/xi (2/pi) Vdc/psi."""
    recording = slowing_down()
    current = np.hypot(recording["id_A"], recording["iq_A"])
    speed = recording["speed_rpm"]
    ended = speed[np.flatnonzero(current > 1.0)[-1]]
    verified("speed at which gates-off generation ends, xi = 5", EXACT, 7663.0, ended, 10.0, "rpm")
    assert ended < ONSET_RPM - 150.0
    fundamental = 2.0 / math.pi * VDC / PSI * 2.0 * math.sqrt(4.0) / 5.0 / POLES * 30.0 / math.pi
    assert fundamental == pytest.approx(6948.0, abs=1.0) and 1.09 < ended / fundamental < 1.12
    assert np.max(np.abs(recording["torque_Nm"][speed < 7640.0])) < 1e-3
    assert abs(recording.audit["residual_relative"]) < 1e-5


def test_a_machine_of_little_saliency_does_not(verified):
    """xi = 3 < 3.456: from conduction above the onset down, the current ends at the onset itself."""
    profile = {"shape": "linear", "points": [[0.0, 8200.0], [0.2, 8200.0], [2.2, 7700.0]]}
    recording = coast(profile, 2.2, record_every=4)
    current = np.hypot(recording["id_A"], recording["iq_A"])
    ended = recording["speed_rpm"][np.flatnonzero(current > 1e-3)[-1]]
    verified("speed at which gates-off generation ends, xi = 3", FORMULA, ONSET_RPM, ended, 8.0, "rpm")


OPEN = {"kind": "contactor_open", "at_s": 0.0}
FED = {"resistance_ohm": 0.05}


def test_without_a_battery_the_link_runs_past_the_emf(verified):
    """Contactor open, 1 mF from 400 V at no current, 10000 rpm: EMF 507.86 V line-line, the windings' swing carries it on."""
    recording = coast(10000.0, 0.1, supply=FED, faults=[OPEN])
    link_V = recording["link_voltage_V"]
    verified("link voltage after the battery is lost, machine E at 10000 rpm, 1 mF", EXACT, 516.78, link_V[-1], 0.05, "V")
    assert np.all(np.diff(link_V) > -1e-9)
    assert np.max(np.abs(recording["supply_current_A"])) == 0.0
    assert abs(recording.audit["residual_relative"]) < 1e-5


def test_the_link_settles_at_the_peak_of_the_emf(verified):
    """A small capacitor from just below: the bridge's open-circuit voltage is the line-line peak, 507.86 V."""
    emf_V = math.sqrt(3.0) * PSI * POLES * 10000.0 * math.pi / 30.0
    assert emf_V == pytest.approx(507.86, abs=0.01)
    supply = {"resistance_ohm": 5.0, "voltage_V": 505.0}
    recording = coast(10000.0, 0.5, supply=supply, faults=[OPEN], capacitance_F=20e-6)
    found = recording["link_voltage_V"][-1]
    what = "open-circuit link voltage of the diode bridge, machine E at 10000 rpm"
    verified(what, "line-line peak of the EMF", emf_V, found, 0.05, "V")
