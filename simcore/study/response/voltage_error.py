"""Dead time and device thresholds as the resistance that they are for small changes of current.

A leg loses E sign(i). Averaged over an electrical turn a current I gains nothing along itself and the resistance
(4/pi) E/I across itself (derived here: the fundamental of the lost voltage keeps its size and follows the current's angle).
Checked: tests/study/response/test_voltage_error.py.
"""

import math

import numpy as np

from simcore.loop.setup import SIGN_BAND_SHARE

_CLARKE = np.array([[1.0, 0.0], [-0.5, math.sqrt(0.75)], [-0.5, -math.sqrt(0.75)]])
_MOST_ANGLES = 20_000


def lost_voltage_V(scenario, link_V):
    """(scenario, link voltage) => what a leg loses against its current, apart from resistance [V]: dead time, thresholds."""
    inverter = scenario.inverter
    share = inverter.dead_time_s / (2.0 * scenario.tick_s)  # of a carrier period
    return link_V * share + _threshold_V(inverter.devices, 2.0 * share)


def _threshold_V(devices, dead_share):
    if devices is None:
        return 0.0
    diode = devices.diode.threshold_V.at(devices.junction_degC) if devices.diode is not None else 0.0
    if devices.kind == "mosfet":
        return dead_share * diode
    return 0.5 * (devices.threshold_V.at(devices.junction_degC) + diode)


def slope_ohm(inverter):
    """(inverter) => what its devices add to the phase resistance: a MOSFET's channel, or the mean of IGBT and diode."""
    devices = inverter.devices
    if devices is None:
        return 0.0
    if devices.kind == "mosfet":
        return devices.on_resistance_ohm.at(devices.junction_degC)
    diode = devices.diode.slope_ohm.at(devices.junction_degC) if devices.diode is not None else 0.0
    return 0.5 * (devices.slope_ohm.at(devices.junction_degC) + diode)


def added_resistance_ohm(lost_V, current_A, band_A, angle_rad=None):
    """(voltage a leg loses, (d, q) current, band of the smoothed sign, electrical angle or None: any) => (2, 2) [ohm].

    d/di of E i/sqrt(i^2 + band^2) of each leg, seen in the rotor's frame; without an angle its mean over a turn.
    """
    band_A = max(band_A, 1e-9)
    # The mean of so sharp a peak needs points that stand closer than it is wide.
    count = int(min(max(12.0 * float(np.hypot(*current_A)) / band_A, 72.0), _MOST_ANGLES))
    angles = np.array([angle_rad]) if angle_rad is not None else (np.arange(count) + 0.5) * (2.0 * math.pi / count)
    cosine, sine = np.cos(angles), np.sin(angles)
    # Each leg's current by the rotor's d and q (angles, 3, 2).
    legs = _CLARKE @ np.stack([np.stack([cosine, -sine], -1), np.stack([sine, cosine], -1)], -2)
    steepness = lost_V * band_A**2 / ((legs @ current_A) ** 2 + band_A**2) ** 1.5
    return 2.0 / 3.0 * np.einsum("nik,ni,nil->kl", legs, steepness, legs) / len(angles)


def band_A(scenario):
    """Width in which the averaged legs smooth the sign of a current [A]; the ripple of switched ones does as much or more."""
    return SIGN_BAND_SHARE * scenario.machine.max_current_A
