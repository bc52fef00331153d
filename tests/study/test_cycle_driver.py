"""The driver alone: feed-forward, what braking is left to the machine, holding on a slope."""

import math

import numpy as np
import pytest

from simcore.scenario.driver import Driver as DriverModel
from simcore.scenario.driver import Regeneration
from simcore.study.cycle.driver import Driver
from simcore.study.cycle.road import Vehicle
from simcore.study.cycle.schedule import Cycle

ARM = 0.32 / 9.0
VEHICLE = Vehicle(1800.0, 1854.0, (120.0, 0.72, 0.3888), ARM, 0.96)
STEP = 0.01


def driver(speeds, regeneration=None, vehicle=VEHICLE, grade=None, **more):
    """A driver over one second at straight speeds [km/h] from first to last."""
    slope = None if grade is None else np.full(2, float(grade))
    cycle = Cycle("ramp", np.array([0.0, 1.0]), np.array(speeds, dtype=float), slope)
    model = DriverModel(regeneration=Regeneration(**(regeneration or {})), **more)
    return Driver(model, vehicle, cycle, STEP, 100, 300.0)


def force(kmh, acceleration):
    return 120.0 + 0.2 * kmh + 0.03 * kmh**2 + 1854.0 * acceleration


def test_feed_forward_is_the_force_through_the_gear():
    torque, brake = driver((72.0, 75.6)).look(0, 20.0, math.nan, 0.5, 700.0)
    assert torque == pytest.approx(force(72.0, 1.0) * ARM / 0.96, rel=1e-12)
    assert brake == 0.0


def test_braking_torque_is_less_by_the_gear_twice_turned():
    torque, brake = driver((72.0, 68.4)).look(0, 20.0, math.nan, 0.5, 700.0)
    assert torque == pytest.approx(force(72.0, -1.0) * ARM * 0.96, rel=1e-12)
    assert brake == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("limits", "allowed"),
    [
        ({"max_torque_Nm": 20.0}, 20.0),
        ({"max_power_W": 10e3}, 10e3 / (20.0 / ARM)),
        ({"max_charge_A": 15.0}, 15.0 * 700.0 / (20.0 / ARM)),
        ({"none_below_kmh": 80.0, "full_above_kmh": 90.0}, 0.0),
    ],
)  # fmt: skip
def test_what_the_limits_leave_goes_into_the_friction_brakes(limits, allowed):
    torque, brake = driver((72.0, 68.4), limits).look(0, 20.0, math.nan, 0.5, 700.0)
    assert torque == pytest.approx(-allowed, rel=3e-4)  # at the middle of the step it is slower by 5 mm/s
    # The machine's torque counts at the wheel with the gear's help: T/(eta arm).
    assert -torque / (0.96 * ARM) + brake / ARM == pytest.approx(-force(72.0, -1.0), rel=1e-12)


@pytest.mark.parametrize(("charge", "share"), [(0.5, 1.0), (0.96, 1.0), (0.97, 0.5), (0.98, 0.0), (1.0, 0.0)])
def test_a_full_battery_takes_less_and_then_nothing(charge, share):
    torque, _ = driver((72.0, 68.4), {"max_torque_Nm": 20.0, "full_charge": 0.98, "charge_band": 0.02}).look(
        0, 20.0, math.nan, charge, 700.0
    )
    assert torque == pytest.approx(-20.0 * share, abs=1e-9)


@pytest.mark.parametrize(("kmh", "share"), [(3.0, 0.0), (4.0, 0.2), (8.0, 1.0)])
def test_regeneration_fades_towards_standstill(kmh, share):
    one = driver((kmh, kmh - 3.6), {"max_torque_Nm": 10.0, "none_below_kmh": 3.0, "full_above_kmh": 8.0})
    middle = kmh + 0.5 * 3.6 * STEP  # so that the middle of the step is at kmh
    torque, brake = one.look(0, middle / 3.6, math.nan, 0.5, 700.0)
    assert torque == pytest.approx(-10.0 * share, abs=1e-9)
    assert brake > 0.0


def test_a_drive_at_its_limit_gets_help_from_the_brakes():
    one = driver((72.0, 61.2))
    asked, none = one.look(0, 20.0, math.nan, 0.5, 700.0)
    for k in range(1, 30):
        again, brake = one.look(k, 20.0 - 0.03 * k, 0.5 * asked, 0.5, 700.0)
        none = max(none, brake) if k < 20 else none
    wanted = -force(3.6 * (20.0 - 0.03 * 29), -3.0)
    assert 0.5 * -asked / (0.96 * ARM) + brake / ARM == pytest.approx(wanted, rel=2e-3)
    assert again < 0.5 * asked  # a little more, to notice when the limit goes
    assert none == pytest.approx(0.0, abs=1e-9)  # a torque that has not risen yet is no limit


def test_friction_brakes_have_a_limit():
    _, brake = driver((72.0, 0.0), {"max_torque_Nm": 0.0}, brake_deceleration_m_per_s2=5.0).look(0, 20.0, math.nan, 0.5, 700.0)
    assert brake == pytest.approx(5.0 * 1854.0 * ARM)


def test_it_holds_on_a_slope_until_the_machine_carries_the_weight():
    weight = 1800.0 * 9.80665 * math.sin(math.atan(0.06))
    torque, brake = driver((0.0, 0.0), grade=6.0).look(0, 0.0, 0.0, 0.5, 700.0)
    assert torque == 0.0 and brake > weight * ARM
    start = driver((0.0, 3.6), grade=6.0)
    torque, brake = start.look(0, 0.0, 0.0, 0.5, 700.0)
    assert torque > weight * ARM and brake > weight * ARM
    _, brake = start.look(1, 0.0, torque, 0.5, 700.0)
    assert brake == 0.0


def test_downhill_weight_drives():
    torque, _ = driver((36.0, 36.0), grade=-6.0).look(0, 10.0, math.nan, 0.5, 700.0)
    weight = 1800.0 * 9.80665 * math.sin(math.atan(0.06))
    assert torque == pytest.approx((force(36.0, 0.0) - weight) * ARM * 0.96, rel=1e-12)


def test_integral_rests_while_the_drive_gives_less_than_asked():
    one = driver((72.0, 72.0))
    first, _ = one.look(0, 19.0, math.nan, 0.5, 700.0)
    second, _ = one.look(1, 19.0, 0.5 * first, 0.5, 700.0)
    third, _ = one.look(2, 19.0, 0.5 * first, 0.5, 700.0)
    assert second == pytest.approx(third, rel=1e-12)
    other = driver((72.0, 72.0))
    assert other.look(0, 19.0, math.nan, 0.5, 700.0)[0] < other.look(1, 19.0, math.nan, 0.5, 700.0)[0]


def test_speed_loop_has_the_gains_of_its_bandwidth():
    """kp = 2 pi f, ki = (2 pi f)^2/4 of the mass: at the first look e (kp + ki step) more than at no error."""
    rate = 2.0 * math.pi * 0.5
    right = driver((72.0, 72.0)).look(0, 20.0, math.nan, 0.5, 700.0)[0]
    slow = driver((72.0, 72.0)).look(0, 19.9, math.nan, 0.5, 700.0)[0]
    rolling = force(3.6 * 19.9, 0.0) - force(72.0, 0.0)
    more = rolling + 1854.0 * 0.1 * (rate + 0.25 * rate**2 * STEP)
    assert slow - right == pytest.approx(more * ARM / 0.96, rel=1e-9)


def test_a_slope_of_the_cycle_lies_where_the_cycle_passes_it():
    """Asked 10 m/s: 6 % from 50 m on. A vehicle at half the speed meets it after 10 s and not after 5 s."""
    time = np.array([0.0, 5.0, 5.0001, 20.0])
    cycle = Cycle("hill", time, np.full(4, 36.0), np.array([0.0, 0.0, 6.0, 6.0]))
    weight = 1800.0 * 9.80665 * math.sin(math.atan(0.06))
    for speed, meets_s in ((10.0, 5.0), (5.0, 10.0)):
        one = Driver(DriverModel(), VEHICLE, cycle, STEP, 2000, 300.0)
        for k in range(1500):
            one.look(k, speed, math.nan, 0.5, 700.0)
        felt = np.array(one.weights_N)
        assert np.argmax(felt > 0.5 * weight) * STEP == pytest.approx(meets_s, abs=0.05)
        assert felt[-1] == pytest.approx(weight, rel=1e-9)


def test_a_slope_of_the_scenario_comes_with_the_time():
    from simcore.scenario.profile import Profile

    cycle = Cycle("flat", np.array([0.0, 20.0]), np.full(2, 36.0))
    one = Driver(DriverModel(), VEHICLE, cycle, STEP, 2000, 300.0, Profile((0.0, 5.0), (0.0, 6.0)))
    for k in range(1000):
        one.look(k, 5.0, math.nan, 0.5, 700.0)
    assert np.argmax(np.array(one.weights_N) > 1.0) * STEP == pytest.approx(5.0, abs=1.1 * STEP)
