"""Sensor records of a bench, filled from the scenario's models."""

import math

from simcore.sensing.records import ENCODER, IDEAL, RESOLVER


def _lsb(bits, full_range):
    return 2.0 * full_range / 2.0**bits if bits else 0.0


def fill_sensors(p, sensors, machine):
    current, record = sensors.current, p["current"]
    record["phases"] = len(current.phases)
    record["offset_A"], record["gain"] = current.offset_A, current.gain
    record["noise_rms_A"], record["range_A"] = current.noise_rms_A, current.range_A
    record["bandwidth_rad_s"] = 2.0 * math.pi * current.bandwidth_Hz
    record["lsb_A"] = _lsb(current.adc_bits, current.range_A)
    position, record = sensors.position, p["position"]
    record["machine_pole_pairs"] = machine.pole_pairs
    record["kind"] = IDEAL
    record["pole_pairs"] = 1.0
    if position.kind == "resolver":
        record["kind"], record["pole_pairs"] = RESOLVER, position.pole_pairs
        record["electrical_ratio"] = machine.pole_pairs / position.pole_pairs
        quadrature = math.radians(position.quadrature_error_deg)
        record["sin_quadrature"], record["cos_quadrature"] = math.sin(quadrature), math.cos(quadrature)
        for name in ("amplitude_imbalance", "offset_sin", "offset_cos", "noise_rms"):
            record[name] = getattr(position, name)
        record["mounting_offset_rad"] = math.radians(position.mounting_offset_deg)
        record["natural_frequency_rad_s"] = 2.0 * math.pi * position.tracking_natural_frequency_Hz
        record["damping"] = position.tracking_damping
    elif position.kind == "encoder":
        record["kind"], record["counts"] = ENCODER, 4.0 * position.lines
        record["count_rad"] = 2.0 * math.pi / (4.0 * (position.believed_lines or position.lines))
        record["lost_counts"], record["index"] = position.lost_counts_per_turn, position.index
        record["speed_filter_rad_s"] = 2.0 * math.pi * position.speed_filter_Hz
        record["mounting_offset_rad"] = math.radians(position.mounting_offset_deg)
    voltage, record = sensors.link_voltage, p["link_voltage"]
    record["gain"], record["offset_V"], record["noise_rms_V"] = voltage.gain, voltage.offset_V, voltage.noise_rms_V
    record["range_V"], record["lsb_V"] = voltage.range_V, _lsb(voltage.adc_bits, voltage.range_V)
    for name, sensor in (("winding", sensors.winding_temperature), ("junction", sensors.junction_temperature)):
        record = p[name]
        for field in ("gain", "offset_K", "noise_rms_K", "time_constant_s"):
            record[field] = getattr(sensor, field)
        record["lsb_K"] = sensor.resolution_K
        if sensor != type(sensor)():
            p["temperature_sensors"] = 1
