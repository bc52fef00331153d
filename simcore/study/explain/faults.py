"""Faults on purpose, in the words of the imperfections that they are for a while."""

import math

from simcore.report.wording import number

# Kinds of [[fault]] => the cause whose orders and scaling they have.
_AS_CAUSE = {
    "current_sensor_offset": "current_offset",
    "current_sensor_gain": "current_gain",
    "current_sensor_noise_burst": "current_noise",
    "current_sensor_saturated": "current_clipping",
    "resolver_amplitude_step": "resolver_amplitude",
    "resolver_quadrature_step": "resolver_quadrature",
    "position_mounting_slip": "angle_offset",
    "encoder_counts_lost": "encoder_counts",
    "link_voltage_sensor_gain": "link_voltage",
    "link_voltage_sensor_offset": "link_voltage",
}


def fault_instants(scenario):
    """=> begins and ends of all faults [s]."""
    return {instant for fault in _faults(scenario) for instant in fault.span_s if math.isfinite(instant)}


def faults_like(key, scenario):
    """(cause key, scenario) => faults of that cause as text, "" for none."""
    return ", ".join(_words(fault) for fault in _faults(scenario) if _AS_CAUSE.get(fault.kind) == key)


def other_faults(scenario):
    """=> texts of the faults that are no cause of orders."""
    return [_words(fault) for fault in _faults(scenario) if fault.kind not in _AS_CAUSE]


def _faults(scenario):
    return getattr(scenario, "fault", ())


def _words(fault):
    begin, end = fault.span_s
    if fault.momentary:
        return f"{fault.title} at {number(begin, 's', 4)}"
    until = f" to {number(end, 's', 4)}" if math.isfinite(end) else " on"
    return f"{fault.title} from {number(begin, 's', 4)}{until}"
