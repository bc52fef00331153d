"""Two masses with an elastic shaft and backlash: what the shaft hands on, and energy through the play."""

import numpy as np
import pytest

from simcore.plant.records import SHAFT
from simcore.plant.shaft import shaft_torque

LOAD = {"replace": True, "kind": "two_mass", "inertia_kg_m2": 0.01, "load_inertia_kg_m2": 0.05, "stiffness_Nm_per_rad": 2000.0,
        "damping_Nm_s": 0.5}  # fmt: skip


def shaft(half_backlash_rad):
    record = np.zeros(1, SHAFT)[0]
    record["stiffness_Nm_per_rad"], record["damping_Nm_s"], record["half_backlash_rad"] = 2000.0, 0.5, half_backlash_rad
    return record


def test_a_shaft_without_play_is_a_spring_with_damping_in_both_directions():
    for twist, slip in ((0.01, 2.0), (-0.01, 2.0), (0.0, -3.0)):
        assert shaft_torque(shaft(0.0), twist, slip)[0] == pytest.approx(2000.0 * twist + 0.5 * slip)


def test_inside_the_play_nothing_is_handed_on_and_a_leaving_tooth_does_not_pull():
    assert shaft_torque(shaft(0.02), 0.019, 5.0) == (0.0, 0.0)
    assert shaft_torque(shaft(0.02), 0.021, 1.0)[0] == pytest.approx(2.0 + 0.5)
    assert shaft_torque(shaft(0.02), 0.021, -10.0) == (0.0, pytest.approx(2.0))
    assert shaft_torque(shaft(0.02), -0.021, 10.0) == (0.0, pytest.approx(-2.0))


@pytest.mark.parametrize("backlash_deg", [0.0, 1.0])
def test_momentum_and_energy_through_a_reversal(run_scenario, backlash_deg):
    # Newton: air-gap torque x time is the change of momentum of both masses, however the shaft between them moves.
    recording = run_scenario(
        load=LOAD | {"backlash_deg": backlash_deg}, controller={"mode": "torque"},
        commands={"replace": True, "torque_Nm": [[0.0, 0.0], [0.01, 20.0], [0.05, -30.0]]},
        run={"duration_s": 0.1, "substeps": 4},
    )  # fmt: skip
    omega = recording["speed_rpm"] * np.pi / 30.0
    omega_load = recording["speed_load_rpm"] * np.pi / 30.0
    momentum = 0.01 * omega + 0.05 * omega_load
    torque = recording["torque_Nm"]
    pushed = np.concatenate([[0.0], np.cumsum(0.5 * (torque[1:] + torque[:-1]))]) * recording.row_s
    assert np.abs(momentum - pushed).max() < 1e-3
    assert abs(recording.audit["residual_relative"]) < 1e-6
    assert recording.audit["losses_J"]["gear_and_shaft"] > 0.0


def test_a_stuck_load_holds_against_less_than_its_breakaway_torque(run_scenario):
    recording = run_scenario(
        load=LOAD | {"coulomb_Nm": 5.0, "stiction_Nm": 8.0}, controller={"mode": "torque"},
        commands={"replace": True, "torque_Nm": [[0.0, 0.0], [0.01, 4.0]]}, run={"duration_s": 0.3},
    )  # fmt: skip
    assert np.abs(recording["speed_load_rpm"]).max() == 0.0
    assert recording.measure("shaft_torque_Nm", "mean", from_s=0.2) == pytest.approx(4.0, rel=0.02)
