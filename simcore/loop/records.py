"""The bench as records: parameters, state, the channels of a row and of a scope."""

import numpy as np

from simcore.inverter.records import INVERTER, LEGS, POWER, POWER_STATE
from simcore.plant.records import DRIVE, LINK, MACHINE, PLANT_STATE, SHAFT, SUMS
from simcore.safety.monitor_records import MONITOR, SAFETY
from simcore.sensing.records import (
    CURRENT_SENSOR,
    LINK_VOLTAGE_SENSOR,
    POSITION_SENSOR,
    SENSOR_STATE,
    TEMPERATURE_SENSOR,
)

MAX_DELAY = 8
OK, CONTROLLER_CODE, DUTY_NOT_A_NUMBER, DUTY_OUT_OF_RANGE, DIVERGED, MAP_LEFT, GATE_SETTING = range(7)
MAP_SLACK = 0.2  # relative distance outside a flux map that is still told and not an error

RUNNING, FAILED, GATES_OFF = range(3)  # what the drive is in, more of them and names in safety/monitor_records.py

PROFILES = ("torque_Nm", "speed_rpm", "id_A", "iq_A", "vd_V", "vq_V", "voltage_V", "frequency_Hz", "run_request", "load")
TORQUE, SPEED, ID, IQ, VD, VQ, VOLTAGE, FREQUENCY, RUN_REQUEST, LOAD = range(10)

PROFILE = np.dtype(
    [("start", "i8"), ("count", "i8"), ("linear", "i8"), ("lost", "i8")], align=True  # lost: its messages come no more
)
CLOCK = np.dtype(
    [
        ("tick_s", "f8"),
        ("solver_step_s", "f8"),
        ("sample_shift_s", "f8"),
        ("ticks_per_update", "i8"),
        ("delay_updates", "i8"),
        ("frozen", "i8"),  # 1: the controller does not run, its last command holds
        ("record_every", "i8"),
        ("seed", "i8"),
    ],
    align=True,
)
BENCH = np.dtype(
    [
        ("machine", MACHINE),
        ("shaft", SHAFT),
        ("link", LINK),
        ("inverter", INVERTER),
        ("current", CURRENT_SENSOR),
        ("position", POSITION_SENSOR),
        ("link_voltage", LINK_VOLTAGE_SENSOR),
        ("winding", TEMPERATURE_SENSOR),
        ("junction", TEMPERATURE_SENSOR),
        ("clock", CLOCK),
        ("profiles", PROFILE, (len(PROFILES),)),
        ("temperature_sensors", "i8"),  # 1: one of them is not ideal
        ("winding_degC", "f8"),
        ("junction_degC", "f8"),
        ("psi_limit_Wb", "f8"),
        ("magnet_degC", "f8"),
        ("safety", SAFETY),
        ("scopes", "i8"),
        ("power", POWER),
    ],
    align=True,
)

LATEST = np.dtype(
    [
        ("id_A", "f8"),
        ("iq_A", "f8"),
        ("angle_error_rad", "f8"),
        ("speed_rpm", "f8"),
        ("link_V", "f8"),
        ("winding_degC", "f8"),
        ("junction_degC", "f8"),
    ],
    align=True,
)
AUDIT = np.dtype(
    [(name, "f8") for name in (
        "supply_in_J", "supply_out_J", "shaft_in_J", "shaft_out_J", "copper_J", "supply_loss_J", "conduction_J",
        "viscous_J", "coulomb_J", "magnetic_J", "iron_J", "shaft_loss_J", "chopper_J", "auxiliary_J", "switching_J", "driver_J",
        "capacitor_J", "short_J",
    )],
    align=True,
)  # fmt: skip
STATE = np.dtype(
    [
        ("plant", PLANT_STATE),
        ("drive", DRIVE),
        ("sums", SUMS),  # of the running tick
        ("row", SUMS),  # of the running row
        ("legs", LEGS),
        ("sensors", SENSOR_STATE),
        ("latest", LATEST),
        ("audit", AUDIT),
        ("battery_A", "f8"),  # mean of the last tick
        ("duties", "f8", (3,)),
        ("pending", "f8", (MAX_DELAY + 1, 3)),
        ("pending_setting", "i8", (MAX_DELAY + 1,)),
        ("gates_on", "i8"),  # 0: by command all gates are off
        ("pending_gates", "i8", (MAX_DELAY + 1,)),
        ("profile_at", "i8", (len(PROFILES),)),
        ("profile_now", "f8", (len(PROFILES),)),
        ("tick", "i8"),
        ("update", "i8"),
        ("status", "i8"),
        ("status_tick", "i8"),
        ("status_value", "f8"),
        ("map_tick", "i8"),  # first tick outside the flux map, -1: never
        ("map_distance", "f8"),
        ("scope_at", "i8", (4,)),
        ("power", POWER_STATE),
        ("monitor", MONITOR),
    ],
    align=True,
)
SCOPE = np.dtype([("from_s", "f8"), ("step_s", "f8"), ("first", "i8"), ("count", "i8")], align=True)
MAX_SCOPES = 4

# Columns of a row.  Instant of the row's tick first, then what was sensed and decided there, then integrals up to the next row.
STATE_CHANNELS = (
    "psi_d_Wb", "psi_q_Wb", "id_A", "iq_A", "omega", "theta", "link_voltage_V", "duty_a", "duty_b", "duty_c",
    "omega_load", "twist", "charge", "state",
)  # fmt: skip
SENSED_CHANNELS = (
    "id_measured_A", "iq_measured_A", "angle_error_rad", "speed_measured_rpm", "link_voltage_measured_V",
    "torque_reported_Nm", "torque_estimate_Nm", "id_reported_A", "iq_reported_A", "voltage_margin_V", "binding_limit",
    "winding_measured_degC", "junction_measured_degC",
)  # fmt: skip
SUM_CHANNELS = (
    "vd", "vq", "v_alpha", "v_beta", "link_C", "supply_C", "link_J", "terminal_J", "copper_J", "shaft_J", "viscous_J",
    "coulomb_J", "supply_loss_J", "supply_J", "iron_J", "shaft_loss_J", "chopper_J", "short_J",
)  # fmt: skip
ROW_CHANNELS = STATE_CHANNELS + SENSED_CHANNELS + SUM_CHANNELS
SENSED_AT = len(STATE_CHANNELS)
SUMS_AT = SENSED_AT + len(SENSED_CHANNELS)

# Columns that follow where the power stage is reckoned with (POWER.active).
POWER_STATE_CHANNELS = ("junction_degC", "sink_degC", "winding_degC", "iron_degC", "magnet_degC", "gate_setting")
POWER_SUM_CHANNELS = (
    "switching_J", "driver_J", "capacitor_J", "leg_a_J", "leg_b_J", "leg_c_J", "peak_V", "dv_dt_V_per_s",
)  # fmt: skip
# Of every device by itself, last, so that long recordings may leave them out.
JUNCTION_CHANNELS = tuple(
    f"junction_{kind}_{side}_{leg}_degC" for kind in ("switch", "diode") for leg in "abc" for side in ("upper", "lower")
)
POWER_CHANNELS = POWER_STATE_CHANNELS + POWER_SUM_CHANNELS + JUNCTION_CHANNELS
MOST_JUNCTION_ROWS = 250_000
POWER_AT = len(ROW_CHANNELS)
POWER_SUMS_AT = POWER_AT + len(POWER_STATE_CHANNELS)
JUNCTIONS_AT = POWER_SUMS_AT + len(POWER_SUM_CHANNELS)

SCOPE_CHANNELS = (
    "time_s", "ia_A", "ib_A", "ic_A", "id_A", "iq_A", "leg_a_V", "leg_b_V", "leg_c_V", "va_V", "vb_V", "vc_V",
    "vd_V", "vq_V", "link_voltage_V", "link_current_A", "supply_current_A", "torque_Nm", "speed_rpm", "angle_deg",
)  # fmt: skip
