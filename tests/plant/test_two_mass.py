"""Two masses with an elastic shaft and backlash: what the shaft hands on, and energy through the play."""

import numpy as np
import pytest

from simcore.plant.records import DRIVE, SHAFT
from simcore.plant.shaft import shaft_torque, two_mass_rates

LOAD = {"replace": True, "kind": "two_mass", "inertia_kg_m2": 0.01, "load_inertia_kg_m2": 0.05, "stiffness_Nm_per_rad": 2000.0,
        "damping_Nm_s": 0.5}  # fmt: skip
RAMP = {"shape": "linear"}


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


def test_a_stuck_load_weighs_the_load_torque_against_the_shaft(run_scenario):
    # 4 Nm from the shaft against 6 Nm of load, both ramped: 2 Nm are left for friction that bears 3 Nm.
    recording = run_scenario(
        load=LOAD | {"coulomb_Nm": 3.0, "stiction_Nm": 3.0, "torque_Nm": RAMP | {"points": [[0.0, 0.0], [0.2, 6.0]]}},
        controller={"mode": "torque"}, commands={"replace": True, "torque_Nm": RAMP | {"points": [[0.0, 0.0], [0.2, 4.0]]}},
        run={"duration_s": 0.3},
    )  # fmt: skip
    assert np.abs(recording["speed_load_rpm"]).max() == 0.0


def test_viscous_friction_brakes_the_load_by_its_own_speed():
    # Newton on the second mass with hand-made numbers: rotor 10 rad/s, load 4 rad/s, twist 1 mrad.
    record, drive = shaft(0.0), np.zeros(1, DRIVE)[0]
    record["inertia_kg_m2"], record["load_inertia_kg_m2"], record["viscous_Nm_s"] = 0.01, 0.05, 0.2
    drive["load_torque_Nm"] = 1.5
    rotor_rate, load_rate, lost, viscous = two_mass_rates(record, drive, 0, 10.0, 4.0, 1e-3, 7.0)
    handed = 2000.0 * 1e-3 + 0.5 * 6.0
    assert rotor_rate == pytest.approx((7.0 - handed) / 0.01)
    assert load_rate == pytest.approx((handed - 0.2 * 4.0 - 1.5) / 0.05)
    assert (lost, viscous) == pytest.approx((0.5 * 6.0**2, 0.2 * 4.0**2))


def test_friction_on_the_load_is_paid_for_by_the_load_s_own_turning(run_scenario):
    # A soft shaft that winds up: rotor and load turn through different angles, and only the load's counts.
    recording = run_scenario(
        load=LOAD | {"stiffness_Nm_per_rad": 50.0, "coulomb_Nm": 5.0}, controller={"mode": "torque"},
        commands={"replace": True, "torque_Nm": 20.0}, run={"duration_s": 0.03, "substeps": 4},
    )  # fmt: skip
    turned = np.sum(recording["speed_load_rpm"][:-1] + recording["speed_load_rpm"][1:]) * 0.5 * recording.row_s * np.pi / 30.0
    assert recording.audit["losses_J"]["friction_dry"] == pytest.approx(5.0 * turned, rel=0.01)
    assert abs(recording.audit["residual_relative"]) < 1e-6
