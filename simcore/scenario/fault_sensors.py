"""Faults of the sensors."""

from typing import ClassVar, Literal

from simcore.scenario.fault import Fault, Lasting
from simcore.scenario.fields import quantity, word

Phase = Literal["a", "b", "c"]


class CurrentSensorFault(Lasting):
    """A fault of one phase's current sensor."""

    phase: Phase = word("whose sensor")


class CurrentSensorOffset(CurrentSensorFault):
    """The sensor's zero moves."""

    kind: Literal["current_sensor_offset"] = word("the zero of a current sensor moves")
    value_A: float = quantity("A", "added to what the sensor reports", ge=-1e6, le=1e6)
    caution: ClassVar[str] = "The controller drives the offset into the machine: torque ripples once an electrical turn."


class CurrentSensorGain(CurrentSensorFault):
    """The sensor's gain changes."""

    kind: Literal["current_sensor_gain"] = word("the gain of a current sensor changes")
    factor: float = quantity("", "multiplies the sensor's gain", ge=-10, le=10)
    caution: ClassVar[str] = "Torque ripples twice an electrical turn; a negative factor turns the feedback around."


class CurrentSensorStuck(CurrentSensorFault):
    """The sensor repeats its last sample."""

    kind: Literal["current_sensor_stuck"] = word("a current sensor repeats its last sample")
    caution: ClassVar[str] = "The current loop drives the true current away until something else limits it."


class CurrentSensorNoiseBurst(CurrentSensorFault):
    """More noise than the sensor has of its own."""

    kind: Literal["current_sensor_noise_burst"] = word("noise comes on top of a current sensor's own")
    rms_A: float = quantity("A", "rms of the additional noise of a sample", gt=0, le=1e5)
    caution: ClassVar[str] = "Samples are disturbed one by one; disturbances between two samples are not modelled."


class CurrentSensorSaturated(CurrentSensorFault):
    """The sensor clips early."""

    kind: Literal["current_sensor_saturated"] = word("a current sensor clips before its range")
    value_A: float = quantity("A", "clips at plus and minus this, before the converter", gt=0, le=1e6)
    caution: ClassVar[str] = "Above it the controller sees too little current and asks for more."


class CurrentSensorLost(CurrentSensorFault):
    """The sensor is not there any more."""

    kind: Literal["current_sensor_lost"] = word("a current sensor is lost")
    reads: Literal["zero", "high", "low"] = word("what is read instead: zero, or the rail at plus or minus range_A", "zero")
    caution: ClassVar[str] = "Where the wire breaks decides what is read: try zero and both rails."


class ResolverChannelLost(Lasting):
    """One winding of the resolver is open."""

    kind: Literal["resolver_channel_lost"] = word("one channel of the resolver is lost")
    channel: Literal["sine", "cosine"] = word("which channel")
    caution: ClassVar[str] = "The tracking loop settles where it can; sine and cosine no longer lie on the unit circle."


class ResolverAmplitudeStep(Lasting):
    """The sine channel changes its amplitude."""

    kind: Literal["resolver_amplitude_step"] = word("the sine channel's amplitude steps")
    amplitude_imbalance: float = quantity("", "added to the excess of the sine channel; 0.01 is 1 %", ge=-1, le=1)
    caution: ClassVar[str] = "The angle errs twice a resolver turn; with several pole pairs the error is multiplied."


class ResolverQuadratureStep(Lasting):
    """The cosine channel changes its phase."""

    kind: Literal["resolver_quadrature_step"] = word("the cosine channel's phase steps")
    quadrature_error_deg: float = quantity("deg", "added to the phase error of the cosine channel", ge=-90, le=90)
    caution: ClassVar[str] = "The angle errs by half of it, and as much again twice a resolver turn."


class ResolverExcitationLost(Lasting):
    """Neither channel shows anything."""

    kind: Literal["resolver_excitation_lost"] = word("the resolver's excitation is lost: both channels are zero")
    caution: ClassVar[str] = "The tracking loop runs on at its last speed, so that the angle looks plausible for a while."


class PositionMountingSlip(Lasting):
    """The sensor turns on the shaft."""

    kind: Literal["position_mounting_slip"] = word("the angle sensor slips on the shaft; resolver, encoder or ideal")
    value_deg: float = quantity("deg", "added to the angle, electrical degrees of the machine", ge=-360, le=360)
    caution: ClassVar[str] = "Beyond 90 deg the torque changes its sign and the speed loop runs away."


class PositionLatency(Lasting):
    """The angle comes late."""

    kind: Literal["position_latency"] = word("the angle comes late")
    latency_s: float = quantity("s", "age of the reported angle", gt=0, le=1)
    caution: ClassVar[str] = "The angle is carried back at the reported speed: exact while the speed is constant."


class EncoderCountsLost(Fault):
    """Counts are lost at one moment."""

    kind: Literal["encoder_counts_lost"] = word("the encoder loses counts, all at once; again: another [[fault]]")
    counts: int = quantity("", "counts lost, four a line; negative: counts too many", ge=-10_000_000, le=10_000_000)
    momentary: ClassVar[bool] = True
    caution: ClassVar[str] = "An index pulse mends the angle within a turn; without one the error stays."


class LinkVoltageSensorGain(Lasting):
    """The sensor's gain changes."""

    kind: Literal["link_voltage_sensor_gain"] = word("the gain of the link voltage sensor changes")
    factor: float = quantity("", "multiplies the sensor's gain", ge=-10, le=10)
    caution: ClassVar[str] = "Duties are divided by what is measured: the loop gain changes with it."


class LinkVoltageSensorOffset(Lasting):
    """The sensor's zero moves."""

    kind: Literal["link_voltage_sensor_offset"] = word("the zero of the link voltage sensor moves")
    value_V: float = quantity("V", "added to what the sensor reports", ge=-1e5, le=1e5)
    caution: ClassVar[str] = "Limits that watch the link watch the wrong voltage."


class LinkVoltageSensorStuck(Lasting):
    """The sensor repeats its last sample."""

    kind: Literal["link_voltage_sensor_stuck"] = word("the link voltage sensor repeats its last sample")
    caution: ClassVar[str] = "It shows only when the link moves."


class LinkVoltageSensorLost(Lasting):
    """The sensor reads zero."""

    kind: Literal["link_voltage_sensor_lost"] = word("the link voltage sensor reads zero")
    caution: ClassVar[str] = "A controller that divides by the link voltage must survive this."


class TemperatureSensorLost(Lasting):
    """A temperature sensor is open."""

    kind: Literal["temperature_sensor_lost"] = word("a temperature sensor is lost")
    sensor: Literal["winding", "junction"] = word("which sensor")
    value_degC: float = quantity("degC", "what is read instead; an open thermistor reads cold", -40.0, ge=-273.15, le=1000)
    caution: ClassVar[str] = "Whatever derates by this sensor no longer does."


SENSOR_FAULTS = (
    CurrentSensorOffset, CurrentSensorGain, CurrentSensorStuck, CurrentSensorNoiseBurst, CurrentSensorSaturated,
    CurrentSensorLost, ResolverChannelLost, ResolverAmplitudeStep, ResolverQuadratureStep, ResolverExcitationLost,
    PositionMountingSlip, PositionLatency, EncoderCountsLost, LinkVoltageSensorGain, LinkVoltageSensorOffset,
    LinkVoltageSensorStuck, LinkVoltageSensorLost, TemperatureSensorLost,
)  # fmt: skip
