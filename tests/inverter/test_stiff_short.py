"""A short between two terminals, its resistance large against the windings' inductance: a stiff circuit all the same."""

import math

import numpy as np
import pytest
from duty_source import RL_LOAD, DutySource
from patched_run import run_patched

from simcore.scenario.reader import scenario_from

VDC, OMEGA_E, WINDING_OHM, WINDING_H, TICK_S = 400.0, 2500.0, 0.1, 5e-6, 50e-6


@pytest.mark.parametrize("short_ohm", [1.0, 10.0])
@pytest.mark.parametrize("pair", [0, 1, 2])
def test_with_gates_off_the_emf_drives_the_short(pair, short_ohm):
    """Below the diodes' onset two windings and the short are one loop: i (R + 2 R_s + 2 j omega L) = e_first - e_second."""
    flux = 0.5 * VDC / math.sqrt(3.0) / OMEGA_E
    scenario = scenario_from({
        "machine": {**RL_LOAD, "stator_resistance_ohm": WINDING_OHM, "inductance_d_H": WINDING_H, "inductance_q_H": WINDING_H,
                    "magnet_flux_Wb": flux},
        "inverter": {"switching_frequency_Hz": 0.5 / TICK_S, "model": "switched"},
        "supply": {"kind": "source", "voltage_V": VDC},
        "load": {"kind": "rig", "speed_rpm": OMEGA_E * 30.0 / math.pi},
        "controller": {"mode": "current"}, "commands": {"id_A": 0.0, "iq_A": 0.0},
        "run": {"duration_s": 14 * TICK_S, "substeps": 8},
    }, path="short.toml")  # fmt: skip
    recording = run_patched(scenario, DutySource(lambda update: None), [(4, {("short_ohm", pair): short_ohm})])
    settled, names = slice(8, None), ("ia_A", "ib_A", "ic_A")
    turned = np.exp(1j * OMEGA_E * recording.time_s[settled])
    first, second = pair, (pair + 1) % 3
    emf = 1j * OMEGA_E * flux * turned * np.exp(-2j * np.pi / 3.0 * np.array([[first], [second]]))
    loop = short_ohm + 2.0 * WINDING_OHM + 2j * OMEGA_E * WINDING_H
    expected = np.real((emf[1] - emf[0]) / loop)  # into the machine, what drives it comes from the windings
    assert recording[names[first]][settled] == pytest.approx(expected, rel=1e-3, abs=1e-3)
    assert recording[names[second]][settled] == pytest.approx(-expected, rel=1e-3, abs=1e-3)
    assert np.max(np.abs(recording[names[3 - first - second]][settled])) < 1e-6
