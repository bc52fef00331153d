"""Rated points: most torque at a current by brute force, published machines, and the magnet found back."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simcore.scenario.data_sheet.rated_points import best_currents, best_torque, flux_of_torque, flux_of_voltage, voltage_at

HENRY = st.floats(1e-5, 1e-1)
MACHINES = st.tuples(st.integers(1, 12), st.floats(1e-3, 1.0), HENRY, HENRY, st.floats(0.1, 1000.0))


@given(MACHINES)
def test_no_angle_gives_more_torque_at_that_current(machine):
    pairs, flux, l_d, l_q, current = machine
    angle = np.linspace(0.0, np.pi, 20001)
    id_A, iq_A = current * np.cos(angle), current * np.sin(angle)
    most = np.max(1.5 * pairs * (flux + (l_d - l_q) * id_A) * iq_A)
    assert best_torque(*machine) == pytest.approx(most, rel=1e-7)
    assert math.hypot(*best_currents(flux, l_d, l_q, current)) == pytest.approx(current)


# Machines of the verification table; the angle of most torque: Morimoto, Takeda, Hirasa, Taniguchi, 1990 [M].
PUBLISHED = {
    "A": ((2, 0.0879367, 8.72e-3, 22.8e-3, 7.07107), -3.676744, 2.531457),
    "B": ((3, 0.1546, 5.6e-3, 9.0e-3, 10.0), -2.019787, 7.116274),
    "D": ((4, 0.06, 0.25e-3, 0.25e-3, 300.0), 0.0, 108.0),
    "E": ((4, 0.07, 0.2e-3, 0.6e-3, 400.0), -242.456329, 318.745878),
}


@pytest.mark.parametrize("name", PUBLISHED)
def test_published_machines_give_their_torque_and_are_found_back_from_it(name, verified):
    (pairs, flux, l_d, l_q, current), id_A, torque = PUBLISHED[name]
    assert best_currents(flux, l_d, l_q, current)[0] == pytest.approx(id_A, rel=1e-6, abs=1e-9)
    assert best_torque(pairs, flux, l_d, l_q, current) == pytest.approx(torque, rel=1e-6)
    found = flux_of_torque(pairs, l_d, l_q, current, torque)
    what = f"magnet flux of machine {name} from its rated torque at rated current"
    verified(what, "Morimoto et al., IEEE TIA 26, 1990 [M], inverted", flux, found, 2e-6 * flux, "Wb")


@given(MACHINES)
def test_a_rated_torque_gives_the_magnet_back(machine):
    pairs, flux, l_d, l_q, current = machine
    torque = best_torque(*machine)
    found = flux_of_torque(pairs, l_d, l_q, current, torque)
    # Where reluctance torque is nearly all, the magnet is a small difference; the torque still fits.
    assert best_torque(pairs, found, l_d, l_q, current) == pytest.approx(torque, rel=1e-9)


@given(MACHINES, st.floats(0.05, 0.99))
def test_less_than_the_reluctance_torque_fits_no_magnet(machine, share):
    pairs, _, l_d, l_q, current = machine
    alone = 0.75 * pairs * abs(l_q - l_d) * current**2
    if alone > 1e-6:
        assert math.isnan(flux_of_torque(pairs, l_d, l_q, current, share * alone))
        assert best_torque(pairs, 0.0, l_d, l_q, current) == pytest.approx(alone)


def test_the_voltage_at_base_speed_is_the_limit_that_defines_it():
    # Base speed of machine E with resistance, 400 V link, space vector: 2835.509 rpm.
    machine = (4, 0.010, 0.2e-3, 0.6e-3, 0.07)
    assert voltage_at(*machine, 400.0, 2835.509 * math.pi / 30.0) == pytest.approx(400.0 / math.sqrt(3.0), rel=1e-6)
    without = (4, 0.0, 0.2e-3, 0.6e-3, 0.07)
    assert voltage_at(*without, 400.0, 2870.104 * math.pi / 30.0) == pytest.approx(400.0 / math.sqrt(3.0), rel=1e-6)


@given(MACHINES, st.floats(0.0, 0.5), st.floats(1.0, 1000.0))
def test_a_rated_voltage_gives_the_magnet_back(machine, ohm, speed):
    pairs, flux, l_d, l_q, current = machine
    volts = voltage_at(pairs, ohm, l_d, l_q, flux, current, speed)
    found = flux_of_voltage(pairs, ohm, l_d, l_q, current, speed, volts)
    if not math.isnan(found):
        assert voltage_at(pairs, ohm, l_d, l_q, found, current, speed) == pytest.approx(volts, rel=1e-9)


def test_a_voltage_below_that_of_the_inductances_fits_no_magnet():
    assert math.isnan(flux_of_voltage(4, 0.01, 0.2e-3, 0.6e-3, 400.0, 300.0, 10.0))
