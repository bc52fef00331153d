"""Iron loss as a test bench separates it: driven at no load over speed, P/f = kh + ke f, a straight line.

Sources: C. P. Steinmetz 1892 (hysteresis with f), classical eddy-current loss (with f squared), both from memory; the
separation by a straight line through P/f is common practice, no source.  Power is the shaft's, as a torque meter has it.
"""

import math
from functools import cache

import numpy as np
import pytest

from simcore import Bench
from simcore.scenario.reader import scenario_from

SEPARATION = "straight line through P/f, common practice, no source"
AT_HZ, HYSTERESIS_W, EDDY_W, POLE_PAIRS, PSI = 400.0, 120.0, 180.0, 4, 0.06
SPLIT = (("frequency_Hz", AT_HZ), ("hysteresis_W", HYSTERESIS_W), ("eddy_W", EDDY_W))
FREQUENCIES_HZ = (50.0, 100.0, 200.0, 300.0, 400.0)


@cache
def driven(frequency_Hz, id_A=0.0, iq_A=0.0, loss=SPLIT):
    """(electrical frequency, terminal currents) => Recording of a machine turned by a rig, currents held by the loop."""
    document = {
        "machine": {
            "kind": "constants", "pole_pairs": POLE_PAIRS, "stator_resistance_ohm": 0.01, "inductance_d_H": 0.25e-3,
            "inductance_q_H": 0.25e-3, "magnet_flux_Wb": PSI, "max_current_A": 300, "max_speed_rpm": 20000,
            "iron_loss": dict(loss),
        },
        "inverter": {"switching_frequency_Hz": 20000},
        "supply": {"kind": "source", "voltage_V": 600},
        "load": {"kind": "rig", "speed_rpm": 60.0 * frequency_Hz / POLE_PAIRS},
        "controller": {"mode": "current", "tuning": {
            "kp_d_V_per_A": 0.8, "kp_q_V_per_A": 0.8, "ki_d_V_per_As": 300.0, "ki_q_V_per_As": 300.0,
        }},
        "commands": {"id_A": id_A, "iq_A": iq_A},
        "run": {"duration_s": 0.1},
    }  # fmt: skip
    return Bench(scenario_from(document, path="no_load.toml")).run()


def settled(recording, signal):
    return recording.measure(signal, "mean", from_s=0.08, to_s=0.1)


def separated(loss=SPLIT):
    """=> kh f0 and ke f0^2 [W] from the shaft's power at no load."""
    power = np.array([-settled(driven(f, loss=loss), "power_shaft_W") for f in FREQUENCIES_HZ])
    frequency = np.array(FREQUENCIES_HZ)
    ke, kh = np.polyfit(frequency, power / frequency, 1)
    assert power / frequency == pytest.approx(kh + ke * frequency, rel=2e-3)
    return kh * AT_HZ, ke * AT_HZ**2


def test_no_load_powers_separate_into_the_given_losses(verified):
    hysteresis, eddy = separated()
    verified("hysteresis loss at 400 Hz from no-load runs at 50 to 400 Hz", SEPARATION, HYSTERESIS_W, hysteresis, 0.6, "W")
    verified("eddy-current loss at 400 Hz from no-load runs at 50 to 400 Hz", SEPARATION, EDDY_W, eddy, 0.9, "W")


def test_a_measured_curve_comes_back(verified):
    """Given as [[Hz, W], ...] the machine shows the same powers at the shaft."""
    curve = tuple((f, HYSTERESIS_W * f / AT_HZ + EDDY_W * (f / AT_HZ) ** 2) for f in (80.0, 160.0, 400.0))
    loss = (("no_load_W", curve),)
    for frequency, power in ((80.0, 31.2), (160.0, 76.8), (400.0, 300.0)):
        found = -settled(driven(frequency, loss=loss), "power_shaft_W")
        what = f"no-load power at {frequency:g} Hz of a machine given by its measured no-load curve"
        verified(what, SEPARATION, power, found, 2e-3 * power, "W", row=frequency == 160.0)


def test_with_no_current_at_the_terminals_the_shaft_pays():
    recording = driven(400.0)
    assert settled(recording, "loss_iron_W") == pytest.approx(-settled(recording, "power_shaft_W"), rel=1e-3)
    assert abs(settled(recording, "power_terminal_W")) < 0.2
    assert settled(recording, "torque_Nm") == pytest.approx(-300.0 / (2.0 * math.pi * AT_HZ / POLE_PAIRS), rel=2e-3)
    assert abs(recording.audit["residual_relative"]) < 1e-6


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_it_brakes_in_either_direction(direction):
    recording = driven(direction * 200.0)
    assert settled(recording, "loss_iron_W") == pytest.approx(60.0 + 45.0, rel=2e-3)
    assert settled(recording, "torque_Nm") * direction < 0.0


@pytest.mark.parametrize("share", [0.5, 0.25])
def test_it_falls_with_the_square_of_the_flux(verified, share):
    """Field weakened to a share of the magnets' flux by id: (omega psi)^2, so that share squared of the loss is left."""
    recording = driven(AT_HZ, id_A=-(1.0 - share) * PSI / 0.25e-3)
    found = settled(recording, "loss_iron_W") / 300.0
    verified(f"iron loss at {share} of the flux over that at full flux", "(omega psi)^2, Steinmetz [M]", share**2, found, 2e-3)


def test_a_loaded_machine_loses_what_its_whole_flux_asks_for():
    """iq = 200 A: psi = sqrt(0.06^2 + 0.05^2); link power = shaft + copper + iron."""
    recording = driven(AT_HZ, iq_A=200.0)
    flux2 = (0.06**2 + 0.05**2) / 0.06**2
    assert settled(recording, "loss_iron_W") == pytest.approx(300.0 * flux2, rel=1e-2)
    balance = settled(recording, "power_shaft_W") + settled(recording, "loss_copper_W") + settled(recording, "loss_iron_W")
    assert settled(recording, "power_link_W") == pytest.approx(balance, rel=1e-4)
    # Torque is made by what the iron leaves of the q current: P/(1.5 omega psi^2) A/Wb of psi_d less.
    conductance = 300.0 / (1.5 * PSI**2 * 2.0 * math.pi * AT_HZ)
    torque = 1.5 * POLE_PAIRS * PSI * (200.0 - conductance * PSI)
    assert settled(recording, "torque_Nm") == pytest.approx(torque, rel=1e-4)
