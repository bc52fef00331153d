"""Layouts of the field-oriented controller: parameters and state, eight bytes a field (viewed from float64 rows)."""

import numpy as np

from simcore.plant.records import MACHINE

TORQUE, SPEED, CURRENT, VOLTAGE = 0, 1, 2, 3
MODES = {"torque": TORQUE, "speed": SPEED, "current": CURRENT, "voltage": VOLTAGE}

FOC_PARAMETERS = np.dtype(
    [
        ("machine", MACHINE),
        ("mode", "i8"),
        ("modulation", "i8"),
        ("reference_offset", "i8"),
        ("gains_given", "i8"),
        ("decoupling", "i8"),
        ("update_s", "f8"),
        ("advance_s", "f8"),  # time from the sample to the middle of the interval its duties act in
        ("max_current_A", "f8"),
        ("max_speed_rad_s", "f8"),
        ("voltage_use", "f8"),
        ("current_bandwidth_rad_s", "f8"),
        ("kp_d", "f8"),
        ("kp_q", "f8"),
        ("ki_d", "f8"),
        ("ki_q", "f8"),
        ("speed_kp", "f8"),
        ("speed_ki", "f8"),
        ("speed_weight", "f8"),
        ("torque_step_Nm", "f8"),  # largest change of the torque reference an update; 0: no limit
    ],
    align=True,
)
FOC_STATE = np.dtype(
    [
        ("integral_d_V", "f8"),
        ("integral_q_V", "f8"),
        ("speed_integral_Nm", "f8"),
        ("slewed_Nm", "f8"),
        ("granted_Nm", "f8"),
        ("reference_A", "f8"),
    ],
    align=True,
)
