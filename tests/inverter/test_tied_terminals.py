"""Terminal voltages at one instant while something is broken: whatever carries a leg's current says where its terminal lies."""

import math

import numpy as np
import pytest
from shared_records import record

from simcore.inverter.faulty import set_faulty_legs
from simcore.inverter.records import INVERTER, LEGS
from simcore.plant.faulty_terminals import faulty_state
from simcore.plant.records import DRIVE, MACHINE

TABLE, LINK_V, LD, LQ, FLUX, OHM = np.zeros(1), 400.0, 0.3e-3, 0.9e-3, 0.07, 0.05
IGBT = {"switch_threshold_V": 1.0, "switch_slope_ohm": 5e-3, "diode_threshold_V": 0.8, "diode_slope_ohm": 2e-3}


def terminals(gate, diode=(0, 0, 0), currents=(0.0, 0.0, 0.0), omega=0.0, theta=0.0, parted=(0, 0, 0)):
    """(gates, diodes, phase currents with the sum zero) => voltages of terminals a, b, c to the negative rail."""
    drive = record(DRIVE)
    legs = record(LEGS, gate=gate, diode=diode, parted=parted)
    set_faulty_legs(record(INVERTER, **IGBT), legs, drive)
    vector = 2.0 / 3.0 * np.dot(currents, np.exp(2j * np.pi / 3.0 * np.arange(3))) * np.exp(-1j * theta)
    machine = record(MACHINE, pole_pairs=1, resistance_ohm=OHM, inductance_d_H=LD, inductance_q_H=LQ, magnet_flux_Wb=FLUX)
    return faulty_state(machine, TABLE, drive, FLUX + LD * vector.real, LQ * vector.imag, omega, theta, LINK_V)[:3]


@pytest.mark.parametrize("theta", [0.0, 0.8])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_switches_carry_their_forward_current_and_diodes_the_other(sign, theta):
    """Upper switch, lower switch, upper switch on, 60 A, -20 A and -40 A out of the legs, and all of it reversed."""
    found = terminals((1, -1, 1), currents=sign * np.array([60.0, -20.0, -40.0]), theta=theta)
    switch, diode = lambda size: 1.0 + 5e-3 * size, lambda size: 0.8 + 2e-3 * size
    if sign > 0.0:
        expected = LINK_V - switch(60.0), switch(20.0), LINK_V + diode(40.0)
    else:
        expected = LINK_V + diode(60.0), -diode(20.0), LINK_V - switch(40.0)
    assert found == pytest.approx(expected, abs=1e-9)


def test_diodes_clamp_to_the_rail_behind_them():
    """Both switches of two legs off: what flows into leg a goes through its upper diode, what leaves leg b by its lower."""
    found = terminals((0, 0, -1), diode=(1, -1, 0), currents=(-30.0, 50.0, -20.0))
    assert found == pytest.approx((LINK_V + 0.8 + 0.06, -0.8 - 0.1, 1.0 + 0.1), abs=1e-9)


@pytest.mark.parametrize("parted", [0, 1, 2])
def test_a_parted_line_leaves_the_others_where_their_legs_hold_them(parted):
    """At rest, without current: the next leg's upper switch on, the lower one of the third.  Current then rises along n, across
    the parted phase's axis e: v = L di/dt gives v_e = v_n L_en/L_nn, with V = sqrt3 v_n between the two, 1.5 v_e over their
    middle.
    """
    first, second = (parted + 1) % 3, (parted + 2) % 3
    gate, lines = np.zeros(3, dtype=int), np.zeros(3, dtype=int)
    gate[[first, second]], lines[parted] = (1, -1), 1
    found = np.array(terminals(gate, parted=lines))
    assert found[[first, second]] == pytest.approx((LINK_V, 0.0), abs=1e-6)
    sine, cosine = math.sin(2.0 * math.pi / 3.0 * parted), math.cos(2.0 * math.pi / 3.0 * parted)
    coupling = (LQ - LD) * sine * cosine / (LD * sine**2 + LQ * cosine**2)
    assert found[parted] == pytest.approx(0.5 * LINK_V + 0.5 * math.sqrt(3.0) * LINK_V * coupling, abs=1e-6)


@pytest.mark.parametrize("theta", [0.0, 0.5, 2.0])
def test_with_nothing_tied_the_emf_lies_in_the_middle_of_the_link(theta):
    """Line voltages are the magnets', and the highest terminal is as far below the upper rail as the lowest above the lower."""
    omega = 2500.0
    found = np.array(terminals((0, 0, 0), omega=omega, theta=theta))
    emf = omega * FLUX * np.real(1j * np.exp(1j * theta) * np.exp(-2j * np.pi / 3.0 * np.arange(3)))
    assert found - found.mean() == pytest.approx(emf, abs=1e-6)
    assert LINK_V - found.max() == pytest.approx(found.min(), abs=1e-6)
