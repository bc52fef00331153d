"""Layouts of the field-oriented controller: parameters and state, eight bytes a field (viewed from float64 rows)."""

import numpy as np

from simcore.plant.records import MACHINE

TORQUE, SPEED, CURRENT, VOLTAGE, OPEN_LOOP = range(5)
MODES = {"torque": TORQUE, "speed": SPEED, "current": CURRENT, "voltage": VOLTAGE, "open_loop": OPEN_LOOP}
MOST_RIPPLES = 4

FOC_PARAMETERS = np.dtype(
    [
        ("machine", MACHINE),
        ("mode", "i8"),
        ("modulation", "i8"),
        ("reference_offset", "i8"),
        ("gains_given", "i8"),
        ("decoupling", "i8"),
        ("active_resistance", "i8"),
        ("compensation", "i8"),  # of dead time
        ("ripples", "i8"),  # entries of the torque feed-forward
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
        ("acting_s", "f8"),  # as advance_s, also where the voltage is not advanced
        ("ramp_share", "f8"),  # of full scale an update
        ("full_frequency_Hz", "f8"),
        ("compensation_duty", "f8"),
        ("compensation_band_A", "f8"),
        ("compensation_ahead_s", "f8"),
        ("damping_Nm_s", "f8"),
        ("highpass_share", "f8"),  # of the way that the slow speed goes to the measured one in an update
        ("ripple_order", "f8", (MOST_RIPPLES,)),
        ("ripple_Nm", "f8", (MOST_RIPPLES,)),
        ("ripple_phase_rad", "f8", (MOST_RIPPLES,)),
        ("derates", "i8"),  # 1: a temperature limits torque
        ("derate_share", "f8"),  # of the way that the derating goes in an update
        ("junction_from_degC", "f8"),
        ("junction_per_K", "f8"),  # 0: no such limit
        ("winding_from_degC", "f8"),
        ("winding_per_K", "f8"),
        ("magnet_from_degC", "f8"),
        ("magnet_per_K", "f8"),
        ("link_limit_J", "f8"),  # energy of the link capacitor that braking may lead to; 0: no limit
        ("link_capacitance_F", "f8"),
        ("link_rate", "f8"),  # at which the rest may be filled, 1/s
        ("link_share", "f8"),  # of the way that the power gone elsewhere goes in an update
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
        ("started", "i8"),
        ("ramping", "i8"),  # the ramp-down acts
        ("resting", "i8"),  # it holds zero
        ("ramp_x", "f8"),  # what is followed: torque, speed, id, vd or open-loop voltage
        ("ramp_y", "f8"),  # iq, vq or open-loop frequency
        ("source_rad", "f8"),
        ("source_Hz", "f8"),
        ("slow_rad_s", "f8"),
        ("link_J", "f8"),
        ("returned_W", "f8"),
        ("elsewhere_W", "f8"),
        ("lost_W", "f8"),
        ("derated", "f8"),  # share of the limit that temperatures take, 0..1
    ],
    align=True,
)
