"""Dead time and thresholds as a resistance: closed form, and the running drive."""

import math

import numpy as np
import pytest

from simcore.study.response.voltage_error import added_resistance_ohm, lost_voltage_V


@pytest.mark.parametrize("angle", [0.0, 0.7, 2.5])
def test_large_currents_see_it_across_only(verified, angle):
    # E sign(i) of three legs gives 4/pi E along the current whatever its size: d/d(size) = 0, and 4/pi E/I across.
    lost_V, size = 7.0, 200.0
    current = size * np.array([math.cos(angle), math.sin(angle)])
    found = added_resistance_ohm(lost_V, current, 0.4)
    along = current / size
    across = np.array([-along[1], along[0]])
    expected = 4.0 / math.pi * lost_V / size
    what, source = "resistance of dead time across the current, 7 V, 200 A", "fundamental of a square wave, derived"
    verified(what, source, expected, across @ found @ across, 2e-3 * expected, "ohm")
    assert abs(along @ found @ along) < 2e-3 * expected and abs(along @ found @ across) < 1e-6


def test_no_current_sees_it_in_every_direction():
    assert added_resistance_ohm(7.0, np.zeros(2), 5.0) == pytest.approx(7.0 / 5.0 * np.eye(2), abs=1e-12)


def test_a_standing_rotor_sees_the_legs_that_stand_near_zero():
    # iq = 100 A at angle 0 is a current of beta: phase a carries none, so that d (alpha) sees two thirds of E/band.
    found = added_resistance_ohm(7.0, np.array([0.0, 100.0]), 1.0, 0.0)
    assert found[0, 0] == pytest.approx(2.0 / 3.0 * 7.0, rel=1e-3) and found[1, 1] < 1e-2


def test_what_a_leg_loses(make_scenario):
    # Vdc Td fs: 400 V x 2 us x 10 kHz = 8 V (Jeong, Park, 1991, from memory).
    scenario = make_scenario(inverter={"dead_time_s": 2e-6})
    assert lost_voltage_V(scenario, 400.0) == pytest.approx(8.0)
