"""One instant of the plant with numbers made by hand: what legs give, what open terminals show, how the flux moves."""

import math

import numpy as np
import pytest
from shared_records import record

from simcore.plant.rates import leg_law, rates
from simcore.plant.records import DRIVE, LINK, MACHINE, RIG, SHAFT

TABLE = np.zeros(1)
MACHINE_R, LD, LQ, FLUX = 0.05, 0.2e-3, 0.6e-3, 0.07
POLE_PAIRS, OMEGA, THETA, LINK_V = 3, 200.0, 0.35, 400.0


def instant(drive, id_A, iq_A):
    """=> the rates of a rig's machine at that current."""
    machine = record(MACHINE, pole_pairs=POLE_PAIRS, resistance_ohm=MACHINE_R, inductance_d_H=LD, inductance_q_H=LQ,
                     magnet_flux_Wb=FLUX)  # fmt: skip
    angle = POLE_PAIRS * THETA
    return rates(machine, record(SHAFT, kind=RIG), record(LINK), drive, TABLE, 0, FLUX + LD * id_A, LQ * iq_A, OMEGA, THETA,
                 math.sin(angle), math.cos(angle), LINK_V, 0.0, OMEGA, 0.0)  # fmt: skip


def phase_values(along_d, along_q):
    """Inverse Park transform of a dq vector => phases a, b, c."""
    vector = (along_d + 1j * along_q) * np.exp(1j * POLE_PAIRS * THETA)
    return np.real(vector * np.exp(-2j * np.pi / 3.0 * np.arange(3)))


def test_open_terminals_show_the_magnets_emf():
    """No current: v = j omega_e psi_m exp(j theta_e), and the flux stays what it is."""
    found = instant(record(DRIVE, open_leg=3), 0.0, 0.0)
    expected = 1j * POLE_PAIRS * OMEGA * FLUX * np.exp(1j * POLE_PAIRS * THETA)
    assert found[10] + 1j * found[11] == pytest.approx(expected, rel=1e-12)
    assert found[:2] == pytest.approx((0.0, 0.0), abs=1e-12)


def test_legs_drive_the_machine_by_the_voltage_equations():
    """Three legs with drops of their own: phase voltages less their mean, and what the link gives to each leg's share."""
    shares, ohms, id_A, iq_A = np.array([0.7, 0.2, 0.45]), np.array([0.01, 0.02, 0.03]), -30.0, 80.0
    found = instant(record(DRIVE, open_leg=-1, u=shares, slope_ohm=ohms, sign_band2_A2=1e-18), id_A, iq_A)
    currents = phase_values(id_A, iq_A)
    legs = shares * LINK_V - ohms * currents
    assert phase_values(found[8], found[9]) == pytest.approx(legs - legs.mean(), rel=1e-9)
    assert found[14] == pytest.approx(np.dot(shares, currents), rel=1e-9)
    assert found[0] == pytest.approx(found[8] - MACHINE_R * id_A + POLE_PAIRS * OMEGA * LQ * iq_A, rel=1e-9)
    assert found[1] == pytest.approx(found[9] - MACHINE_R * iq_A - POLE_PAIRS * OMEGA * (FLUX + LD * id_A), rel=1e-9)
    assert found[12] == pytest.approx(1.5 * POLE_PAIRS * (FLUX + (LD - LQ) * id_A) * iq_A, rel=1e-9)


def test_ideal_legs_give_the_link_the_power_of_the_terminals():
    found = instant(record(DRIVE, open_leg=-1, ideal=1, u_alpha=0.3, u_beta=-0.2), -30.0, 80.0)
    assert (found[10], found[11]) == pytest.approx((120.0, -80.0))
    assert found[14] * LINK_V == pytest.approx(np.dot(phase_values(found[8], found[9]), phase_values(-30.0, 80.0)), rel=1e-9)


@pytest.mark.parametrize("current_A", [40.0, -40.0])
def test_a_leg_loses_dead_time_and_the_drop_of_what_carries_its_current(current_A):
    """Duty 0.6, dead-time error 0.02.  Out of the leg 1.1 V + 12 mohm lie in its way, into it 0.9 V + 8 mohm."""
    drive = record(DRIVE, u=0.6, dead_error=0.02, threshold_V=1.0, threshold_skew_V=0.1, slope_ohm=10e-3, slope_skew_ohm=2e-3,
                   sign_band2_A2=1e-18)  # fmt: skip
    volts, share = leg_law(drive, 1, current_A, LINK_V)
    duty, drop = (0.58, 1.1 + 12e-3 * 40.0) if current_A > 0.0 else (0.62, -0.9 - 8e-3 * 40.0)
    assert share == pytest.approx(duty)
    assert volts == pytest.approx(duty * LINK_V - drop)
