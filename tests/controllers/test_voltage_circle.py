"""What the current loop does with a request beyond the voltage circle: cut to it, turned ahead by its excess."""

import math

import pytest

from controllers.current_loop import limit_voltage, steering

ALPHA = 2.0 * math.pi * 500.0


@pytest.mark.parametrize("share", [1.0, 3.0, 20.0])
def test_at_speed_the_second_pole_lies_at_the_loop_s_bandwidth(share):
    """(s + alpha)(s + g omega): g omega = alpha within 1/16 of (alpha/omega)^2, the reserve kept for standstill."""
    omega = share * ALPHA
    assert steering(ALPHA, omega) * omega == pytest.approx(ALPHA, rel=1.05 / (16.0 * share**2))
    assert steering(ALPHA, -omega) == -steering(ALPHA, omega)


def test_near_standstill_a_vector_is_turned_less_and_less():
    """alpha/omega grows without end, the turning never exceeds 2 rad a unit of excess, reached at a quarter of alpha."""
    found = [steering(ALPHA, share * ALPHA) for share in (0.0, 0.05, 0.125, 0.25, 0.5)]
    assert found[0] == 0.0 and found[3] == pytest.approx(2.0, rel=1e-12)
    assert 0.0 < found[1] < found[2] < 2.0 and found[3] > found[4]


@pytest.mark.parametrize("size", [1.05, 1.5, 10.0])
@pytest.mark.parametrize("steer", [0.0, 0.15, -1.0])
def test_beyond_the_circle_the_voltage_ends_on_it(size, steer):
    """Whatever the turning, the inverter gives the circle's full voltage; the angle is atan of steer x excess, 0.2 at most."""
    vd, vq = limit_voltage(0.6 * size * 200.0, -0.8 * size * 200.0, 200.0, steer)
    assert math.hypot(vd, vq) == pytest.approx(200.0, rel=1e-12)
    turned = math.atan2(vq, vd) - math.atan2(-0.8, 0.6)
    assert turned == pytest.approx(math.atan(math.copysign(min(abs(steer) * (size - 1.0), 0.2), steer)), abs=1e-12)


def test_nothing_jumps_where_a_request_leaves_the_circle():
    inside, outside = (limit_voltage(0.6 * size, 0.8 * size, 200.0, 2.0) for size in (199.99999, 200.00001))
    assert outside == pytest.approx(inside, abs=1e-4)
