"""Checks of what the drive was asked for and how it fares: torque, temperatures, commands, the controller's timing.

Checked: tests/safety/test_monitor_drive.py.
"""

import math

from simcore.kernel import kernel
from simcore.safety.monitor_judge import above, look
from simcore.safety.monitor_records import (
    COMMAND_IMPLAUSIBLE,
    COMMAND_TIMEOUT,
    COMMANDS,
    JUNCTION_TEMPERATURE,
    TEMPERATURE_RANGE,
    TORQUE_REQUEST,
    UPDATE_OVERRUN,
    WINDING_TEMPERATURE,
)


@kernel
def check_torque(safety, monitor, m, c, estimate_Nm, in_charge, tick):
    """(request, torque from currents [Nm], whether the controller has the legs) => torque that nobody asked for.

    Right is what lies between zero and the request, or one of a moment ago: less torque than asked for is no hazard of its own.
    A drive that is asked for a speed reports the torque it grants; where none is known, nothing is judged.
    """
    request_Nm = m.torque_reference_Nm if math.isfinite(m.torque_reference_Nm) else c.torque_reference_Nm
    known = in_charge and math.isfinite(request_Nm)
    if not math.isfinite(request_Nm):
        request_Nm = 0.0
    fall = safety.torque_fall_Nm
    monitor.highest_Nm = max(max(request_Nm, 0.0), monitor.highest_Nm - fall)
    monitor.lowest_Nm = min(min(request_Nm, 0.0), monitor.lowest_Nm + fall)
    value = max(estimate_Nm - monitor.highest_Nm, monitor.lowest_Nm - estimate_Nm)
    look(safety, monitor, TORQUE_REQUEST, value, known and value > safety.checks[TORQUE_REQUEST].limit, tick)


@kernel
def check_temperatures(safety, monitor, m, tick):
    """(measurement) => over-temperature judged, and the share of the request that is left below the limits."""
    monitor.wanted_share, monitor.derated_by = 1.0, 0
    _check_temperature(safety, monitor, WINDING_TEMPERATURE, m.winding_degC, tick)
    _check_temperature(safety, monitor, JUNCTION_TEMPERATURE, m.junction_degC, tick)
    check = safety.checks[TEMPERATURE_RANGE]
    low, high = min(m.winding_degC, m.junction_degC), max(m.winding_degC, m.junction_degC)
    # A comparison with NaN is false: what is no number lies outside.
    right = low >= check.low and high <= check.limit
    look(safety, monitor, TEMPERATURE_RANGE, low if low < check.low else high, not right, tick)


@kernel
def _check_temperature(safety, monitor, index, value, tick):
    check = safety.checks[index]
    if check.on == 0:
        return
    above(safety, monitor, index, value, tick)
    share = min(max((check.limit - value) / (check.limit - check.low), 0.0), 1.0)
    if share < monitor.wanted_share:
        monitor.wanted_share, monitor.derated_by = share, index + 1


@kernel
def check_commands(safety, monitor, profiles, profile_now, tick):
    """(commands as they arrive) => one that arrives no more, one that is not possible."""
    fresh, largest = 1, 0.0
    for index in range(COMMANDS):
        if safety.commands_used[index]:
            if profiles[index].lost or not math.isfinite(profile_now[index]):
                fresh = 0
            if math.isfinite(profile_now[index]):
                largest = max(largest, abs(profile_now[index]) / safety.commands_full[index])
    monitor.silent_updates = 0 if fresh else monitor.silent_updates + 1
    above(safety, monitor, COMMAND_TIMEOUT, monitor.silent_updates * safety.update_s, tick)
    above(safety, monitor, COMMAND_IMPLAUSIBLE, largest, tick)


@kernel
def check_timing(safety, monitor, delay_updates, frozen, tick):
    """(updates until a command acts, whether commands still come) => updates in a row without one in time."""
    late = delay_updates > safety.delay_updates or frozen != 0
    monitor.late_updates = monitor.late_updates + 1 if late else 0
    above(safety, monitor, UPDATE_OVERRUN, monitor.late_updates * 1.0, tick)
