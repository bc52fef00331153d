"""A leg's law against the one device that carries its current, with drops of its own for each of them.

Out of the leg: upper switch for the duty, else the lower diode (a MOSFET's lower channel); into it: lower switch, else the
upper diode.  Mohan, Undeland, Robbins, Power Electronics, ch. 2 (from memory).
"""

import numpy as np
import pytest
from shared_records import record

from simcore.inverter.legs import set_leg
from simcore.inverter.records import INVERTER
from simcore.plant.rates import leg_law
from simcore.plant.records import DRIVE

LEG, LINK_V, SIZE_A = 1, 400.0, 50.0
UP, LOW = 2 * LEG, 2 * LEG + 1


def four_devices():
    """Leg b's devices all differ, those of the other legs are far off."""
    volts, ohms = np.full(6, 99.0), np.full(6, 9.9)
    drive = record(DRIVE, own_devices=1, sign_band2_A2=1e-18, switch_V=volts, diode_V=volts, switch_ohm=ohms, diode_ohm=ohms)
    for name, values in (("switch_V", (1.0, 1.3)), ("switch_ohm", (5e-3, 7e-3)), ("diode_V", (0.7, 0.85)),
                         ("diode_ohm", (2e-3, 3e-3))):  # fmt: skip
        drive[name][[UP, LOW]] = values
    return drive


def drop(inverter, drive, duty, diode_share, current_A):
    """=> what the leg's voltage lies below duty x link [V]."""
    set_leg(inverter, drive, LEG, duty, 0.0, diode_share)
    volts, _ = leg_law(drive, LEG, current_A, LINK_V)
    return duty * LINK_V - volts


@pytest.mark.parametrize("duty", [0.0, 0.3, 1.0])
def test_igbts_share_the_current_with_the_opposite_diode(duty):
    inverter, drive = record(INVERTER), four_devices()
    out = duty * (1.0 + 5e-3 * SIZE_A) + (1.0 - duty) * (0.85 + 3e-3 * SIZE_A)
    into = (1.0 - duty) * (1.3 + 7e-3 * SIZE_A) + duty * (0.7 + 2e-3 * SIZE_A)
    assert drop(inverter, drive, duty, 0.0, SIZE_A) == pytest.approx(out)
    assert drop(inverter, drive, duty, 0.0, -SIZE_A) == pytest.approx(-into)


@pytest.mark.parametrize("duty", [0.0, 0.3, 1.0])
def test_mosfets_leave_the_dead_time_to_one_body_diode(duty):
    """A tenth of the time in the lower diode while current flows out, in the upper one while it flows in."""
    inverter, drive = record(INVERTER, is_mosfet=1), four_devices()
    channel = 0.9 * (duty * 5e-3 + (1.0 - duty) * 7e-3) * SIZE_A
    assert drop(inverter, drive, duty, 0.1, SIZE_A) == pytest.approx(channel + 0.1 * (0.85 + 3e-3 * SIZE_A))
    assert drop(inverter, drive, duty, 0.1, -SIZE_A) == pytest.approx(-channel - 0.1 * (0.7 + 2e-3 * SIZE_A))


def test_equal_mosfets_split_the_time_between_channel_and_diode():
    inverter = record(INVERTER, is_mosfet=1, switch_slope_ohm=5e-3, diode_threshold_V=0.8, diode_slope_ohm=2e-3)
    for current_A in (SIZE_A, -SIZE_A):
        expected = 0.75 * 5e-3 * current_A + 0.25 * (0.8 * np.sign(current_A) + 2e-3 * current_A)
        assert drop(inverter, record(DRIVE, sign_band2_A2=1e-18), 0.4, 0.25, current_A) == pytest.approx(expected)


def test_equal_igbts_and_diodes():
    inverter = record(INVERTER, switch_threshold_V=1.0, switch_slope_ohm=5e-3, diode_threshold_V=0.8, diode_slope_ohm=2e-3)
    drive = record(DRIVE, sign_band2_A2=1e-18)
    assert drop(inverter, drive, 0.25, 0.0, SIZE_A) == pytest.approx(0.25 * 1.25 + 0.75 * 0.9)
    assert drop(inverter, drive, 0.25, 0.0, -SIZE_A) == pytest.approx(-0.75 * 1.25 - 0.25 * 0.9)
