"""A vehicle on the shaft: gear, grade and road load seen by the rotor."""

import math

import numpy as np
import pytest

from simcore.plant.records import SHAFT
from simcore.plant.shaft import rough_resistance

VEHICLE = {"replace": True, "kind": "vehicle", "mass_kg": 1800.0, "road_load": {"F0_N": 120.0, "F1_N_per_kmh": 0.2,
           "F2_N_per_kmh2": 0.03}, "wheel_radius_m": 0.32, "gear_ratio": 9.0}  # fmt: skip


def coast(run_scenario, torque_Nm, **load):
    return run_scenario(
        load=VEHICLE | load, controller={"mode": "torque"}, commands={"replace": True, "torque_Nm": torque_Nm},
        initial={"speed_rpm": 2000.0}, run={"duration_s": 0.3},
    )  # fmt: skip


@pytest.mark.parametrize("torque_Nm", [60.0, -60.0])
@pytest.mark.parametrize("efficiency", [1.0, 0.95])
def test_force_balance_at_the_wheel(run_scenario, torque_Nm, efficiency):
    """m_e a = F_wheel - F0 - F1 v - F2 v^2 - m g sin(atan(grade)), F_wheel = T i eta/r driving and T i/(eta r) braking."""
    recording = coast(run_scenario, torque_Nm, gear_efficiency=efficiency, grade_percent=4.0)
    v = recording["vehicle_speed_kmh"]
    assert v[0] == pytest.approx(2000.0 * 2.0 * math.pi / 60.0 * 0.32 / 9.0 * 3.6, rel=1e-12)
    first, last = 2000, 5999
    speed = 0.5 * (v[first] + v[last])
    wheel_N = torque_Nm * 9.0 / 0.32 * (efficiency if torque_Nm > 0.0 else 1.0 / efficiency)
    road_N = 120.0 + 0.2 * speed + 0.03 * speed**2 + 1800.0 * 9.80665 * math.sin(math.atan(0.04))
    expected = (wheel_N - road_N) / (1.03 * 1800.0)
    found = (v[last] - v[first]) / 3.6 / (recording.time_s[last] - recording.time_s[first])
    assert found == pytest.approx(expected, rel=2e-3)
    audit = recording.audit
    assert abs(audit["residual_relative"]) < 1e-6
    assert (audit["losses_J"]["gear_and_shaft"] > 0.0) == (efficiency < 1.0)


def test_coefficients_of_drag_and_rolling_say_the_same_as_road_load(make_scenario):
    load = {**VEHICLE, "drag_area_m2": 0.7, "rolling_coefficient": 0.01}
    del load["road_load"]
    constant, linear, square = make_scenario(load=load).load.road_N
    assert (constant, linear, square) == pytest.approx((0.01 * 1800.0 * 9.80665, 0.0, 0.5 * 1.2 * 0.7))


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_drag_and_gear_oppose_the_motion_either_way(direction):
    record = np.zeros(1, SHAFT)[0]
    record["drag_Nm_s2"], record["gear_loss"], record["gear_loss_back"] = 2e-3, 0.04, 0.05
    assert rough_resistance(record, direction * 50.0, direction * 10.0) == pytest.approx((direction * (5.0 + 0.4), 0.4 * 50.0))
    assert rough_resistance(record, direction * 50.0, direction * -10.0) == pytest.approx((direction * (5.0 + 0.5), 0.5 * 50.0))
