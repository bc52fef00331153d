"""[sensors]: what the controller sees. Every error is zero unless given."""

from typing import Annotated, Literal

from pydantic import Field

from simcore.scenario.fields import Table, ThreePhases, quantity, table, word


class CurrentSensors(Table):
    """gain x i + offset, low-pass, noise, rounding, clipping."""

    phases: Literal["abc", "ab"] = word("measured phases; with ab the third is taken from the sum", "abc")
    offset_A: ThreePhases = quantity("A", "offsets of phases a, b, c", (0.0, 0.0, 0.0))
    gain: ThreePhases = quantity("", "gains of phases a, b, c", (1.0, 1.0, 1.0))
    noise_rms_A: float = quantity("A", "noise of a sample", 0.0, ge=0, le=1e5)
    bandwidth_Hz: float = quantity("Hz", "first-order low-pass; 0: ideal", 0.0, ge=0, le=1e9)
    adc_bits: int = quantity("", "bits of the converter; 0: no converter", 0, ge=0, le=32)
    range_A: float = quantity("A", "clipping at plus and minus this; 0: unlimited", 0.0, ge=0, le=1e6)
    sample_shift_s: float = quantity("s", "delay of current and angle sampling inside the tick", 0.0, ge=0, le=1)


class IdealPosition(Table):
    """The true angle and speed."""

    kind: Literal["ideal"] = word("the true angle and speed", "ideal")


class Resolver(Table):
    """Sine and cosine channels with errors, and a type II tracking loop."""

    kind: Literal["resolver"] = word("resolver with tracking loop")
    pole_pairs: int = quantity("", "pole pairs of the resolver; must divide the machine's", 1, ge=1, le=200)
    amplitude_imbalance: float = quantity("", "excess of the sine channel; 0.01 is 1 %", 0.0, ge=-0.5, le=0.5)
    quadrature_error_deg: float = quantity("deg", "phase error of the cosine channel", 0.0, ge=-45, le=45)
    offset_sin: float = quantity("", "offset of the sine channel, relative to amplitude 1", 0.0, ge=-0.5, le=0.5)
    offset_cos: float = quantity("", "offset of the cosine channel, relative to amplitude 1", 0.0, ge=-0.5, le=0.5)
    mounting_offset_deg: float = quantity("deg", "added to the angle, electrical degrees of the machine", 0.0, ge=-360, le=360)
    noise_rms: float = quantity("", "noise of each channel, relative to amplitude 1", 0.0, ge=0, le=0.5)
    tracking_natural_frequency_Hz: float = quantity("Hz", "natural frequency of the tracking loop", 300.0, gt=0, le=1e5)
    tracking_damping: float = quantity("", "damping of the tracking loop", 0.7071, gt=0, le=10)


class Encoder(Table):
    """Incremental encoder, aligned at the start."""

    kind: Literal["encoder"] = word("incremental encoder, four counts a line")
    lines: int = quantity("", "lines a mechanical turn", ge=1, le=1_000_000)
    believed_lines: int | None = quantity("", "lines the controller reckons with; by default lines", None, ge=1, le=1_000_000)
    index: bool = word("an index pulse sets the count anew once a turn", True)
    lost_counts_per_turn: int = quantity("", "counts left out at one place of the turn", 0, ge=0, le=100_000)
    mounting_offset_deg: float = quantity("deg", "added to the angle, electrical degrees of the machine", 0.0, ge=-360, le=360)
    speed_filter_Hz: float = quantity("Hz", "low-pass of the speed from counts; 0: none", 200.0, ge=0, le=1e6)


class TemperatureSensor(Table):
    """First-order lag, gain x t + offset, noise, rounding."""

    gain: float = quantity("", "gain", 1.0, ge=-10, le=10)
    offset_K: float = quantity("K", "offset", 0.0, ge=-1000, le=1000)
    noise_rms_K: float = quantity("K", "noise of a sample", 0.0, ge=0, le=1000)
    time_constant_s: float = quantity("s", "lag of the sensor's body", 0.0, ge=0, le=1e5)
    resolution_K: float = quantity("K", "step of the converter; 0: none", 0.0, ge=0, le=100)


class LinkVoltageSensor(Table):
    """gain x v + offset, noise, rounding."""

    gain: float = quantity("", "gain", 1.0, ge=-10, le=10)
    offset_V: float = quantity("V", "offset", 0.0, ge=-1e5, le=1e5)
    noise_rms_V: float = quantity("V", "noise of a sample", 0.0, ge=0, le=1e5)
    adc_bits: int = quantity("", "bits of the converter; 0: no converter", 0, ge=0, le=32)
    range_V: float = quantity("V", "range of the converter; needed with adc_bits", 0.0, ge=0, le=1e6)


class Sensors(Table):
    """All sensors."""

    current: CurrentSensors = table("phase current sensors", CurrentSensors)
    position: Annotated[IdealPosition | Resolver | Encoder, Field(discriminator="kind")] = table("angle sensor", IdealPosition)
    link_voltage: LinkVoltageSensor = table("link voltage sensor", LinkVoltageSensor)
    winding_temperature: TemperatureSensor = table("temperature sensor of the winding", TemperatureSensor)
    junction_temperature: TemperatureSensor = table("temperature sensor of the power stage", TemperatureSensor)
