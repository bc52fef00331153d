"""Link-voltage sensor: gain x v + offset, noise, round, clip (same order as the current sensors)."""

from simcore.kernel import kernel
from simcore.sensing.current import convert


@kernel
def sense_link_voltage(sensor, link_V, noise):
    """(link voltage [V], unit normal number) => reported voltage [V]."""
    return convert(sensor.gain * link_V + sensor.offset_V + sensor.noise_rms_V * noise, sensor.lsb_V, sensor.range_V)
