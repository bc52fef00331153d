"""Temperature sensors: first-order lag, gain x t + offset, noise, round to nearest.

Checked: tests/sensing/test_temperature_sensors.py.
"""

import math

from simcore.kernel import kernel
from simcore.sensing.current import convert


@kernel
def lagged(sensor, reached_degC, true_degC, interval_s):
    """(what the sensor's body has reached, true temperature, time since the last sample) => what it has reached now [degC]."""
    if sensor.time_constant_s <= 0.0:
        return true_degC
    return true_degC + (reached_degC - true_degC) * math.exp(-interval_s / sensor.time_constant_s)


@kernel
def sense_temperature(sensor, reached_degC, noise):
    """(temperature of the sensor's body [degC], unit normal number) => reported temperature [degC]."""
    return convert(sensor.gain * reached_degC + sensor.offset_K + sensor.noise_rms_K * noise, sensor.lsb_K, 0.0)
