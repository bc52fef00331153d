"""EMF harmonics and cogging: amplitudes and phases by Fourier, torque by virtual work, a rotor that swings on its cogging.

Sources: phase flux psi_n cos(n theta + phi), EMF -d psi/dt, torque e . i/omega (textbook, e.g. D. Hanselman, Brushless
Permanent Magnet Motor Design, from memory); period of a swing on sin(x) by the complete elliptic integral (textbook).
"""

import math

import numpy as np
import pytest
from scipy.special import ellipk

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

FOURIER = "psi_n cos(n theta + phi), Fourier series"
P, PSI, RESISTANCE, INDUCTANCE, F1_HZ = 3, 0.08, 100.0, 5e-3, 50.0
HARMONICS = {5: (8.0, 30.0), 7: (4.0, -50.0), 11: (2.0, 0.0), 13: (1.0, 120.0)}
SHIFT = {"a": 0.0, "b": 2.0 * math.pi / 3.0, "c": -2.0 * math.pi / 3.0}


class Shorted(Controller):
    """Zero vectors: what turns the machine drives a current through its own resistance."""

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(0.5, 0.5, 0.5)


def turned(load, harmonics=(), cogging=(), controller=None, duration_s=0.2, commands=None, initial=None, **machine):
    document = {
        "machine": {
            "kind": "constants", "pole_pairs": P, "stator_resistance_ohm": RESISTANCE, "inductance_d_H": INDUCTANCE,
            "inductance_q_H": INDUCTANCE, "magnet_flux_Wb": PSI, "max_current_A": 100, "max_speed_rpm": 10000,
            "emf_harmonics": [{"order": n, "amplitude_percent": a, "phase_deg": f} for n, (a, f) in dict(harmonics).items()],
            "cogging": [{"order": n, "torque_Nm": t, "phase_deg": f} for n, (t, f) in dict(cogging).items()],
            **machine,
        },
        "inverter": {"switching_frequency_Hz": 10000},
        "supply": {"kind": "source", "voltage_V": 400},
        "load": load,
        "controller": {"mode": "current", "tuning": {"current_bandwidth_Hz": 500}},
        "commands": commands or {"id_A": 0.0, "iq_A": 0.0},
        "initial": initial or {},
        "run": {"duration_s": duration_s},
    }  # fmt: skip
    return Bench(scenario_from(document, path="emf.toml"), controller=controller).run()


RIG = {"kind": "rig", "speed_rpm": 60.0 * F1_HZ / P}


@pytest.mark.parametrize("direction", [1.0, -1.0])
@pytest.mark.parametrize("phase", SHIFT)
def test_emf_harmonics_by_fourier(verified, phase, direction):
    """Shorted through 100 ohm and 5 mH a phase carries -(d psi/dt)/(R + j n w L) at every order of the EMF, and no other."""
    recording = turned({"kind": "rig", "speed_rpm": direction * RIG["speed_rpm"]}, HARMONICS, controller=Shorted())
    count = round(2 / F1_HZ * 20000)
    current = recording[f"i{phase}_A"][-count:]
    theta = P * np.radians(recording["angle_deg"][-count:])
    w = direction * 2.0 * math.pi * F1_HZ
    for order, (percent, phase_deg) in {1: (100.0, 0.0), **HARMONICS}.items():
        flux = PSI * percent / 100.0 / order
        # psi = Re(flux e^(j n (theta - shift) + j phi)); i = -(j n w psi)/(R + j n w L)
        expected = flux * np.exp(1j * (math.radians(phase_deg) - order * SHIFT[phase])) * -1j * order * w
        found = 2.0 * np.mean(current * np.exp(-1j * order * theta)) * complex(RESISTANCE, order * w * INDUCTANCE)
        assert found == pytest.approx(expected, abs=2e-3 * abs(expected) + 1e-4)
        what = f"EMF of order {order}, given as {percent:g} % of the fundamental"
        volts = PSI * abs(w) * percent / 100.0
        verified(what, FOURIER, volts, abs(found), 2e-3 * volts, "V", row=order > 1)
    for order in (2, 3, 4, 6, 9):
        assert abs(np.mean(current * np.exp(-1j * order * theta))) * RESISTANCE < 1e-4


def torque_by_virtual_work(recording, harmonics):
    """Sum over the phases of i d psi/d theta of the magnets, from the phase currents alone [Nm]."""
    theta = P * np.radians(recording["angle_deg"])
    torque = np.zeros(len(recording))
    for phase, shift in SHIFT.items():
        x = theta - shift
        slope = -PSI * np.sin(x)
        for order, (percent, phase_deg) in harmonics.items():
            # The harmonic keeps its own phase in every winding: n times the winding's place.
            slope = slope - PSI * percent / 100.0 * np.sin(order * x + math.radians(phase_deg))
        torque += P * recording[f"i{phase}_A"] * slope
    return torque


def test_torque_of_emf_harmonics_is_virtual_work():
    recording = turned(
        {"kind": "rig", "speed_rpm": 100.0}, HARMONICS, stator_resistance_ohm=0.1, commands={"id_A": -10.0, "iq_A": 30.0}
    )
    expected = torque_by_virtual_work(recording, HARMONICS)
    assert np.ptp(expected[500:]) > 0.5
    assert recording["torque_Nm"] == pytest.approx(expected, abs=1e-9)
    # The shaft's power is the plant's own account of it, as means from row to row.
    means = 0.5 * (expected[:-1] + expected[1:]) * 100.0 * math.pi / 30.0
    assert recording["power_shaft_W"][500:-1] == pytest.approx(means[500:], abs=5e-3)
    assert abs(recording.audit["residual_relative"]) < 1e-6


def test_ripple_of_sixth_order_under_sinusoidal_current(verified):
    """id = 0, iq = I, EMFs of 5 % and 3 % in phase: order 6 of the torque is their difference, 2 % of the mean."""
    harmonics = {5: (5.0, 0.0), 7: (3.0, 0.0)}
    recording = turned({"kind": "rig", "speed_rpm": 20.0}, harmonics, stator_resistance_ohm=0.1, duration_s=1.2,
                       commands={"iq_A": 30.0})  # fmt: skip
    turn = slice(-20000, None)  # one electrical turn at 1 Hz
    theta = P * np.radians(recording["angle_deg"][turn])
    torque = recording["torque_Nm"][turn]
    mean = 1.5 * P * PSI * 30.0
    assert np.mean(torque) == pytest.approx(mean, rel=1e-3)
    ripple = abs(2.0 * np.mean(torque * np.exp(-6j * theta))) / mean
    # sin x (0.05 sin 5x + 0.03 sin 7x) holds cos 6x of -0.025 + 0.015 a phase; the three of them, over the mean 3/2.
    x = np.linspace(0.0, 2.0 * math.pi, 3601)[:-1]
    wave = sum(
        np.sin(x - s) * (np.sin(x - s) + 0.05 * np.sin(5.0 * (x - s)) + 0.03 * np.sin(7.0 * (x - s))) for s in SHIFT.values()
    )
    expected = abs(2.0 * np.mean(wave * np.exp(-6j * x))) / np.mean(wave)
    assert expected == pytest.approx(0.02, abs=1e-6)
    what = "torque ripple of order 6, EMF of 5 % fifth and 3 % seventh, sinusoidal current"
    verified(what, FOURIER, 2.0, 100.0 * ripple, 0.02, "%")
    assert abs(recording.audit["residual_relative"]) < 1e-6


COGGING = {24: (0.6, 20.0), 48: (0.2, -70.0)}


def test_cogging_by_fourier_over_a_turn(verified):
    recording = turned({"kind": "rig", "speed_rpm": 60.0}, cogging=COGGING, controller=Shorted(), duration_s=1.0,
                       magnet_flux_Wb=1e-9)  # fmt: skip
    theta = np.radians(recording["angle_deg"])
    for order, (torque_Nm, phase_deg) in COGGING.items():
        found = 2.0 * np.mean(recording["torque_Nm"] * np.exp(-1j * order * theta))
        assert found == pytest.approx(torque_Nm * np.exp(1j * (math.radians(phase_deg) - 0.5 * math.pi)), abs=1e-6)
        verified(f"cogging torque of order {order}", "T sin(n theta + phi), Fourier series", torque_Nm, abs(found), 1e-6, "Nm")
    assert np.mean(recording["torque_Nm"]) == pytest.approx(0.0, abs=1e-9)
    # The rig gives and takes the work, of which none is lost over a turn: means from row to row lie half a row later.
    middle = theta + math.pi * 60.0 / 30.0 * 0.5 * recording.row_s
    for order, (torque_Nm, phase_deg) in COGGING.items():
        found = 2.0 * np.mean(recording["power_shaft_W"] * np.exp(-1j * order * middle)) / (2.0 * math.pi)
        assert found == pytest.approx(torque_Nm * np.exp(1j * (math.radians(phase_deg) - 0.5 * math.pi)), rel=1e-4)
    assert np.sum(recording["power_shaft_W"] * recording.row_length_s) == pytest.approx(0.0, abs=1e-9)
    assert abs(recording.audit["residual_relative"]) < 1e-6


N, PEAK, INERTIA = 24, 0.6, 1e-3


def swinging(from_deg):
    """A rotor let go from_deg (of the cogging's own angle) away from where it rests => Recording."""
    # T = PEAK sin(N theta): rests at N theta = 180 deg, mechanical 7.5 deg.
    electrical = P * (180.0 + from_deg) / N
    return turned({"kind": "free", "inertia_kg_m2": INERTIA}, cogging={N: (PEAK, 0.0)}, controller=Shorted(), duration_s=0.5,
                  magnet_flux_Wb=1e-9, initial={"angle_electrical_deg": electrical})  # fmt: skip


@pytest.mark.parametrize("from_deg", [5.0, 90.0, 150.0])
def test_a_rotor_swings_on_its_cogging(verified, from_deg):
    """Period 4 K(sin^2(x0/2))/w0 with w0 = sqrt(n T/J), as of a pendulum."""
    recording = swinging(from_deg)
    place = (N * recording["angle_deg"] - 180.0 + 180.0) % 360.0 - 180.0
    up = np.flatnonzero((place[:-1] < 0.0) & (place[1:] >= 0.0))
    crossings = recording.time_s[up] + recording.row_s * -place[up] / (place[up + 1] - place[up])
    found = np.mean(np.diff(crossings))
    expected = 4.0 * ellipk(math.sin(math.radians(from_deg) / 2.0) ** 2) / math.sqrt(N * PEAK / INERTIA)
    what = f"period of a rotor swinging on its cogging, let go at {from_deg:g} deg of the cogging's period"
    verified(what, "pendulum, complete elliptic integral", 1e3 * expected, 1e3 * found, 1e-4 * 1e3 * expected, "ms")
    kinetic = 0.5 * INERTIA * (recording["speed_rpm"] * math.pi / 30.0) ** 2
    stored = PEAK / N * np.cos(N * np.radians(recording["angle_deg"]))
    assert kinetic + stored == pytest.approx(np.full(len(recording), stored[0]), abs=1e-7 * PEAK / N)
    assert abs(recording.audit["residual_relative"]) < 1e-6
