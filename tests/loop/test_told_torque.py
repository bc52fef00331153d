"""Torques that a recording tells, against power and momentum of the run itself."""

import math

import numpy as np
import pytest

RPM = 30.0 / math.pi


def test_the_torque_signal_is_the_shaft_s_power_with_iron_loss_and_harmonics(run_scenario):
    """P = T omega at an imposed speed, row by row: the mean of a row lies between the torques at its ends."""
    recording = run_scenario(
        machine={"iron_loss": {"frequency_Hz": 200.0, "hysteresis_W": 4000.0, "eddy_W": 6000.0},
                 "emf_harmonics": [{"order": 5, "amplitude_percent": 8.0, "phase_deg": 30.0},
                                   {"order": 7, "amplitude_percent": 6.0}]},
        inverter={"switching_frequency_Hz": 40000}, load={"speed_rpm": 1000.0}, commands={"id_A": -60.0, "iq_A": 120.0},
        run={"duration_s": 0.02},
    )  # fmt: skip
    torque = recording["torque_Nm"]
    between = 0.5 * (torque[1:] + torque[:-1])
    given = recording["power_shaft_W"][:-1] / (1000.0 / RPM)
    settled = slice(400, None)
    assert np.ptp(torque[settled]) > 2.0
    assert between[settled] == pytest.approx(given[settled], abs=0.02)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_shaft_torque_through_play_accelerates_the_load(run_scenario, sign):
    """Newton on the second mass: J d(omega)/dt = shaft torque, once the teeth lie against each other."""
    recording = run_scenario(
        load={"replace": True, "kind": "two_mass", "inertia_kg_m2": 0.01, "load_inertia_kg_m2": 0.05,
              "stiffness_Nm_per_rad": 2000.0, "damping_Nm_s": 5.0, "backlash_deg": 1.0},
        controller={"mode": "torque"}, commands={"replace": True, "torque_Nm": sign * 20.0}, run={"duration_s": 0.08},
    )  # fmt: skip
    omega = recording["speed_load_rpm"] / RPM
    told = recording["shaft_torque_Nm"]
    between = 0.5 * (told[1:] + told[:-1])
    settled = slice(1000, None)
    assert between[settled] == pytest.approx(0.05 * np.diff(omega)[settled] / recording.row_s, abs=0.02)
    # Both masses together: 20 Nm x 0.05/0.06.
    assert np.mean(told[settled]) == pytest.approx(sign * 20.0 * 0.05 / 0.06, rel=0.02)
