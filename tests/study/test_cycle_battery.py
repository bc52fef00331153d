"""The battery of a trip by the map, against a general solver and closed forms."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simcore.scenario.supply import BatterySupply, SourceSupply
from simcore.study.cycle.battery import Battery

CURVE = [[0.0, 600.0], [0.5, 690.0], [1.0, 760.0]]


def cells(**more):
    return Battery(BatterySupply.model_validate({
        "kind": "battery", "open_circuit_voltage_V": CURVE, "resistance_ohm": 0.1, "capacity_Ah": 10.0, "state_of_charge": 0.5,
        **more,
    }))  # fmt: skip


def drawn(battery, power, step=0.05):
    return battery.trip(lambda source_V: ({}, power), np.full(len(power), step))


def test_voltage_under_power_is_the_root_of_u_times_i():
    """u (U - u)/R = P: u = (U + sqrt(U^2 - 4 R P))/2, by hand 690 V, 0.1 ohm, 50 kW."""
    trip = drawn(cells(capacity_Ah=1e6), np.full(3, 50e3))
    expected = 0.5 * (690.0 + math.sqrt(690.0**2 - 4.0 * 0.1 * 50e3))
    assert trip.link_V[0] == pytest.approx(expected, rel=1e-9)
    current = 50e3 / expected
    assert trip.loss_W[0] == pytest.approx(0.1 * current**2, rel=1e-9)
    assert trip.power_W[0] == pytest.approx(50e3 + 0.1 * current**2, rel=1e-9)


def test_charge_pair_and_voltage_against_a_general_solver():
    """d charge/dt = -i/Q and C_p dv/dt = i - v/R_p, with the power held; a second on, a second back, again and again."""
    battery = cells(polarisation_resistance_ohm=0.05, polarisation_time_constant_s=0.7, capacity_Ah=1.0, auxiliary_W=500.0)
    step, power = 0.01, np.where(np.arange(600) // 100 % 2 == 0, 60e3, -40e3)
    trip = drawn(battery, power, step)

    def current(t, charge, pair):
        taken = power[min(int(t / step), 599)] + 500.0
        source = np.interp(charge, [0.0, 0.5, 1.0], [600.0, 690.0, 760.0]) - pair
        return taken / (0.5 * (source + math.sqrt(source**2 - 4.0 * 0.1 * taken)))

    def rate(t, x):
        i = current(t, *x)
        return [-i / 3600.0, (0.05 * i - x[1]) / 0.7]

    found = solve_ivp(rate, (0.0, 6.0), [0.5, 0.0], max_step=2e-3, rtol=1e-9, atol=1e-12, t_eval=np.arange(0.0, 6.0, 0.1))
    assert trip.charge[:-1:10] == pytest.approx(found.y[0], abs=2e-5)
    heat = sum(0.1 * current(t, *x) ** 2 for t, x in zip(found.t, found.y.T, strict=True)) * 0.1
    assert float(np.sum((trip.loss_W - _pair_loss(trip)) * step)) == pytest.approx(heat, rel=0.02)


def _pair_loss(trip):
    """What is lost in the RC pair: its mean voltage squared over its resistance."""
    current = trip.power_W / np.interp(0.5 * (trip.charge[1:] + trip.charge[:-1]), [0.0, 0.5, 1.0], [600.0, 690.0, 760.0])
    return trip.loss_W - 0.1 * current**2


def test_energy_of_a_full_battery_is_voltage_times_charge():
    """Trapezoids of the curve: (600 + 690)/4 + (690 + 760)/4 = 685 V over 10 Ah."""
    assert cells().capacity_kWh == pytest.approx(6.85, rel=1e-6)


def test_a_plain_source_has_neither_charge_nor_end():
    source = Battery(SourceSupply(voltage_V=700.0, resistance_ohm=0.2))
    trip = drawn(source, np.full(4, 20e3))
    assert source.capacity_kWh == 0.0 and np.all(np.isnan(trip.charge))
    assert trip.link_V[-1] == pytest.approx(0.5 * (700.0 + math.sqrt(700.0**2 - 4.0 * 0.2 * 20e3)))
