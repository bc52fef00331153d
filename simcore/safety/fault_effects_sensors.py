"""What faults of the sensors do to the sensors' records (simcore.sensing.records)."""

import math
from cmath import exp

from simcore.safety.fault_effect import Effect, fixed, param
from simcore.safety.fault_places import Write

PHASES = "abc"
_QUADRATURE = ("position", ("cos_quadrature", "sin_quadrature"))


def _current_offset(fault, bench):
    return [param("current", "offset_A", PHASES.index(fault.phase), "add", fault.value_A)]


def _current_gain(fault, bench):
    return [param("current", "gain", PHASES.index(fault.phase), "times", fault.factor)]


def _failing(fault, name, how, value):
    place = ("current", name, PHASES.index(fault.phase))
    return [fixed("current", "failing", 1), param(*place, how, value)]


def _current_stuck(fault, bench):
    return _failing(fault, "held", "set", 1)


def _current_noise(fault, bench):
    return _failing(fault, "burst_rms_A", "add", fault.rms_A)


def _current_saturated(fault, bench):
    return _failing(fault, "saturation_A", "set", fault.value_A)


def _current_lost(fault, bench):
    rail = {"zero": 0.0, "high": 1.0, "low": -1.0}[fault.reads] * float(bench.p["current"]["range_A"])
    return _failing(fault, "lost", "set", 1) + _failing(fault, "lost_A", "set", rail)[1:]


def _channel_lost(fault, bench):
    if fault.channel == "sine":
        return [fixed("position", "amplitude_imbalance", -1.0), fixed("position", "offset_sin", 0.0)]
    return [fixed(*_QUADRATURE, 0j), fixed("position", "offset_cos", 0.0)]


def _amplitude_step(fault, bench):
    return [param("position", "amplitude_imbalance", "add", fault.amplitude_imbalance)]


def _quadrature_step(fault, bench):
    return [param(*_QUADRATURE, "times", exp(1j * math.radians(fault.quadrature_error_deg)))]


def _excitation_lost(fault, bench):
    return [
        fixed("position", "amplitude_imbalance", -1.0), fixed(*_QUADRATURE, 0j),
        fixed("position", "offset_sin", 0.0), fixed("position", "offset_cos", 0.0),
    ]  # fmt: skip


def _mounting_slip(fault, bench):
    return [param("position", "mounting_offset_rad", "add", math.radians(fault.value_deg))]


def _latency(fault, bench):
    return [param("position", "latency_s", "add", fault.latency_s)]


def _counts_lost(fault, bench):
    sensors = ("states", "sensors")
    lost = float(fault.counts)
    return Effect((), (Write((*sensors, "encoder_from_count"), "add", lost), Write((*sensors, "encoder_count"), "add", lost)))


def _link_gain(fault, bench):
    return [param("link_voltage", "gain", "times", fault.factor)]


def _link_offset(fault, bench):
    return [param("link_voltage", "offset_V", "add", fault.value_V)]


def _link_stuck(fault, bench):
    return [fixed("link_voltage", "held", 1)]


def _link_lost(fault, bench):
    return [fixed("link_voltage", name, 0.0) for name in ("gain", "offset_V", "noise_rms_V")]


def _temperature_lost(fault, bench):
    values = {"gain": 0.0, "offset_K": fault.value_degC, "noise_rms_K": 0.0, "lsb_K": 0.0}
    return [fixed(fault.sensor, name, value) for name, value in values.items()] + [fixed("temperature_sensors", 1)]


SENSOR_EFFECTS = {
    "current_sensor_offset": _current_offset,
    "current_sensor_gain": _current_gain,
    "current_sensor_stuck": _current_stuck,
    "current_sensor_noise_burst": _current_noise,
    "current_sensor_saturated": _current_saturated,
    "current_sensor_lost": _current_lost,
    "resolver_channel_lost": _channel_lost,
    "resolver_amplitude_step": _amplitude_step,
    "resolver_quadrature_step": _quadrature_step,
    "resolver_excitation_lost": _excitation_lost,
    "position_mounting_slip": _mounting_slip,
    "position_latency": _latency,
    "encoder_counts_lost": _counts_lost,
    "link_voltage_sensor_gain": _link_gain,
    "link_voltage_sensor_offset": _link_offset,
    "link_voltage_sensor_stuck": _link_stuck,
    "link_voltage_sensor_lost": _link_lost,
    "temperature_sensor_lost": _temperature_lost,
}
