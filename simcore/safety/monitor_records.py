"""Layout of the monitor: checks, reactions, states, and what it keeps while a run goes on."""

import numpy as np

from simcore.plant.records import MACHINE
from simcore.safety.check_records import HARDWARE

# What a check does when it trips, weaker first: of several that have tripped the strongest acts.
REACTIONS = ("report", "derate", "ramp_down", "gates_off", "safe_state", "active_short_low", "active_short_high")
REPORT, DERATE, RAMP_DOWN, GATES_OFF, SAFE_STATE, SHORT_LOW, SHORT_HIGH = range(len(REACTIONS))

# What the drive is in.  The first three are also known without a monitor (loop/records.py).
STATES = (
    "running", "failed", "gates_off", "derating", "ramp_down", "active_short_low", "active_short_high", "short_entry",
)  # fmt: skip
RUNNING, FAILED, IN_GATES_OFF, DERATING, IN_RAMP_DOWN, IN_SHORT_LOW, IN_SHORT_HIGH, SHORT_ENTRY = range(len(STATES))

SOFTWARE = (
    "overcurrent", "current_sum", "current_range", "current_stuck", "current_plausibility",
    "resolver_envelope", "resolver_tracking", "angle_emf", "speed_jump", "overspeed",
    "link_overvoltage", "link_undervoltage", "link_discharge",
    "torque_request", "torque_power", "winding_temperature", "junction_temperature", "temperature_range",
    "command_timeout", "command_implausible", "update_overrun",
)  # fmt: skip
CHECKS = HARDWARE + SOFTWARE
(
    OVERCURRENT_FAST, DESATURATION, GATE_FEEDBACK, OVERCURRENT, CURRENT_SUM, CURRENT_RANGE, CURRENT_STUCK,
    CURRENT_PLAUSIBILITY, RESOLVER_ENVELOPE, RESOLVER_TRACKING, ANGLE_EMF, SPEED_JUMP, OVERSPEED, LINK_OVERVOLTAGE,
    LINK_UNDERVOLTAGE, LINK_DISCHARGE, TORQUE_REQUEST, TORQUE_POWER, WINDING_TEMPERATURE, JUNCTION_TEMPERATURE,
    TEMPERATURE_RANGE, COMMAND_TIMEOUT, COMMAND_IMPLAUSIBLE, UPDATE_OVERRUN,
) = range(len(CHECKS))  # fmt: skip
FIRST_POSITION, LAST_POSITION = RESOLVER_ENVELOPE, SPEED_JUMP  # checks that speak against the measured angle and speed

NEVER, AT_STANDSTILL, ON_REQUEST = range(3)
RESTART_RULES = ("never", "at_standstill", "on_request")
EVENTS = 128
COMMANDS = 9  # the profiles of loop/records.py without the load

CHECK = np.dtype(
    [
        ("on", "i8"),
        ("limit", "f8"),
        ("low", "f8"),  # lower limit, or where derating begins
        ("samples", "i8"),  # beyond the limit in a row before it trips
        ("reaction", "i8"),
        ("latching", "i8"),
        ("shaped", "i8"),  # 1: an active short that it asks for is entered with a led current
    ],
    align=True,
)
SAFETY = np.dtype(
    [
        ("active", "i8"),
        ("checks", CHECK, (len(CHECKS),)),
        ("derated_share", "f8"),
        ("update_s", "f8"),
        ("machine", MACHINE),  # as the monitor believes it
        ("dead_share", "f8"),  # of the link voltage that a leg loses by dead time
        ("drop_V", "f8"),  # that it loses in its devices, besides
        ("drop_ohm", "f8"),
        ("sign_band_A", "f8"),
        ("stuck_A", "f8"),  # a sample that moves less stands still
        ("model_rad_s", "f8"),  # least rate at which the model is drawn to the measurement
        ("emf_above_rad_s", "f8"),  # electrical speed from which the angle is looked for in the EMF
        ("slow_share", "f8"),  # of the way to the measured speed that the slow one goes in an update
        ("power_share", "f8"),  # the same of the torque from power
        ("power_above_rad_s", "f8"),  # mechanical speed from which that is looked at
        ("torque_fall_Nm", "f8"),  # that an earlier request may still be followed by less, an update
        ("discharge_from", "i8"),  # update
        ("delay_updates", "i8"),  # that the controller is planned with
        ("commands_used", "i8", (COMMANDS,)),
        ("commands_full", "f8", (COMMANDS,)),  # what counts as 1
        ("share_step", "f8"),  # of the requests, an update
        ("after_ramp", "i8"),  # reaction once the ramp-down is through; RAMP_DOWN: stays controlled
        ("lead_rad_s", "f8"),  # rate at which the flux is led to zero
        ("lead_updates", "i8"),  # longest time in which the current is led before an active short
        ("short_side", "i8"),  # SHORT_LOW or SHORT_HIGH, of the speed-dependent choice
        ("short_above_rpm", "f8"),
        ("gates_below_rpm", "f8"),
        ("restart", "i8"),
        ("restart_updates", "i8"),
        ("restart_below_rpm", "f8"),
    ],
    align=True,
)
MEMORY = np.dtype(
    [
        ("count", "i8"),
        ("tripped", "i8"),
        ("trips", "i8"),
        ("tick", "i8"),  # of the first trip; -1: none
        ("value", "f8"),  # that tripped it
    ],
    align=True,
)
EVENT = np.dtype([("tick", "i8"), ("state", "i8"), ("by", "i8")], align=True)
MONITOR = np.dtype(
    [
        ("checks", MEMORY, (len(CHECKS),)),
        ("state", "i8"),
        ("started", "i8"),
        ("by", "i8"),  # number of the check in CHECKS + 1; 0: none
        ("leading", "i8"),  # updates left in which the current is led
        ("shorted", "i8"),  # what the speed-dependent choice fell on
        ("share", "f8"),  # of the requests that the controller sees
        ("wanted_share", "f8"),  # that the temperatures leave
        ("derated_by", "i8"),
        ("channel_sin", "f8"),  # of the resolver, as sampled
        ("channel_cos", "f8"),
        ("anchor_A", "f8", (3,)),  # from which a phase current has not moved
        ("way_A", "f8", (3,)),  # by which the rotor's turning should have moved it
        ("applied", "f8", (3,)),  # duties that act until the next sample
        ("driven", "i8"),  # 1: gates are on until then
        ("last_A", "f8", (3,)),  # phase currents of the last sample, and its angle
        ("last_rad", "f8"),
        ("flux_alpha_Wb", "f8"),  # stator flux of the model
        ("flux_beta_Wb", "f8"),
        ("slow_rpm", "f8"),
        ("power_Nm", "f8"),  # torque from power, and from currents behind the same filter
        ("current_Nm", "f8"),
        ("highest_Nm", "f8"),  # what recent requests allow
        ("lowest_Nm", "f8"),
        ("gate_wait_s", "f8"),  # for which a driver has not followed
        ("silent_updates", "i8"),
        ("late_updates", "i8"),
        ("speed_rpm", "f8"),  # the last that nothing speaks against
        ("waited", "i8"),  # updates at standstill
        ("asked_off", "i8"),  # run_request has been 0 since the trip
        ("restarts", "i8"),
        ("events", EVENT, (EVENTS,)),
        ("event_count", "i8"),
        ("least_id_A", "f8"),  # true, since the first safe state
        ("least_id_tick", "i8"),
        ("largest_A", "f8"),  # current vector, true, since the first safe state
        ("duties", "f8", (3,)),  # while the current is led
    ],
    align=True,
)
