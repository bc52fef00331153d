"""What braking brings into a link whose supply takes nothing back, and which capacitor or chopper would take it."""

import math

import numpy as np

from simcore.safety.fault_times import spans
from simcore.scenario.safety_limits import BLOCKING, limits

WORTH_SHARE = 0.02  # of the capacitor's own energy, below which nothing is told


def one_way(scenario):
    """True where the supply takes no current back: diodes in front, or a contactor that opens on purpose."""
    supply = getattr(scenario, "supply", None)
    faults = getattr(scenario, "fault", None) or ()
    return getattr(supply, "kind", "") == "rectifier" or any(fault.kind == "contactor_open" for fault in faults)


def _kept(recording):
    """recording => 1 in rows whose energy stays in the link, 0 while a supply that takes it back is connected (n,)."""
    scenario = recording.scenario
    if scenario.supply.kind == "rectifier":
        return 1.0
    time_s, kept = np.asarray(recording.time_s), np.zeros(len(recording.time_s))
    for fault in scenario.fault:
        if fault.kind == "contactor_open":
            ticks = 1 + round(float(recording.closing_time_s) / scenario.tick_s)
            for first, last in spans(fault, scenario.tick_s, 1, ticks):
                kept[(time_s > (first - 0.5) * scenario.tick_s) & (time_s < (last - 0.5) * scenario.tick_s)] = 1.0
    return kept


def braking(recording):
    """recording => dict of the largest return of energy into the link, None where the supply takes it back or none came.

    energy_J, from_s, to_s: what came back in one go after losses of motor and inverter, driving in between set off;
    power_max_W; link_from_V, link_limit_V (the monitor's, else 70 % of the devices' rated voltage, else nan);
    capacitor_F = 2 E/(V2^2 - V1^2); chopper_on_V, chopper_ohm = V^2/P.
    """
    scenario = getattr(recording, "scenario", None)
    if not one_way(scenario) or "power_link_W" not in recording.signals or len(recording.time_s) < 2:
        return None
    power_W = -np.asarray(recording["power_link_W"]) * _kept(recording)
    returned_J = np.concatenate([[0.0], np.cumsum(power_W * recording.row_length_s)])
    lowest = np.minimum.accumulate(returned_J)
    end = int(np.argmax(returned_J - lowest))
    begin = end - int(np.argmin(returned_J[end::-1]))
    energy_J, link_V = float(returned_J[end] - returned_J[begin]), np.asarray(recording["link_voltage_V"])
    from_V = float(link_V[min(begin, len(link_V) - 1)])
    held_J = 0.5 * scenario.inverter.link_capacitance_F * from_V**2
    if energy_J <= max(WORTH_SHARE * held_J, 1e-3):
        return None
    limit_V, peak_W = _limit_V(scenario), float(power_W[begin:end].max())
    on_V = scenario.supply.chopper.on_above_V if scenario.supply.chopper is not None else 0.5 * (from_V + limit_V)
    room = limit_V**2 - from_V**2
    times = np.append(recording.time_s, recording.closing_time_s)
    return {
        "energy_J": energy_J, "from_s": float(times[begin]), "to_s": float(times[end]), "power_max_W": peak_W,
        "link_from_V": from_V, "link_limit_V": limit_V, "link_max_V": float(link_V.max()),
        "capacitor_F": 2.0 * energy_J / room if room > 0.0 else math.nan,
        "chopper_on_V": on_V, "chopper_ohm": on_V**2 / peak_W,
    }  # fmt: skip


def _limit_V(scenario):
    """Voltage that the link must not pass [V], nan where nothing tells."""
    if scenario.safety is not None:
        made = (scenario.machine, scenario.inverter, scenario.supply, scenario.sensors)
        found = limits(scenario.safety, *made).get("link_overvoltage")
        if found:
            return found[0]
    devices = scenario.inverter.devices
    rated = devices.rated_voltage_V if devices is not None else 0.0
    return BLOCKING * rated if rated > 0.0 else math.nan
