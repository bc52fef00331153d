"""Layouts of the sensors: errors (constant in a run) and states (filters, tracking loop)."""

import numpy as np

IDEAL, RESOLVER, ENCODER = 0, 1, 2

CURRENT_SENSOR = np.dtype(
    [
        ("phases", "i8"),  # 3, or 2 with the third from the sum
        ("offset_A", "f8", (3,)),
        ("gain", "f8", (3,)),
        ("noise_rms_A", "f8"),
        ("bandwidth_rad_s", "f8"),  # 0: no filter
        ("lsb_A", "f8"),  # 0: no converter
        ("range_A", "f8"),  # 0: unlimited
        ("failing", "i8"),  # 1: one of the following is not zero
        ("held", "i8", (3,)),  # 1: the last sample again
        ("lost", "i8", (3,)),  # 1: lost_A instead of a sample
        ("lost_A", "f8", (3,)),
        ("saturation_A", "f8", (3,)),  # 0: only the range clips
        ("burst_rms_A", "f8", (3,)),  # noise of its own on top
    ],
    align=True,
)
POSITION_SENSOR = np.dtype(
    [
        ("kind", "i8"),
        ("pole_pairs", "f8"),
        ("electrical_ratio", "f8"),  # machine pole pairs / resolver pole pairs
        ("machine_pole_pairs", "f8"),
        ("amplitude_imbalance", "f8"),
        ("sin_quadrature", "f8"),
        ("cos_quadrature", "f8"),
        ("offset_sin", "f8"),
        ("offset_cos", "f8"),
        ("mounting_offset_rad", "f8"),
        ("noise_rms", "f8"),
        ("natural_frequency_rad_s", "f8"),
        ("damping", "f8"),
        ("counts", "f8"),  # of an encoder, a mechanical turn
        ("count_rad", "f8"),  # what the controller takes a count for, mechanical
        ("lost_counts", "f8"),  # at one place of the turn
        ("index", "i8"),
        ("speed_filter_rad_s", "f8"),
        ("latency_s", "f8"),  # age of the reported angle
    ],
    align=True,
)
LINK_VOLTAGE_SENSOR = np.dtype(
    [
        ("gain", "f8"),
        ("offset_V", "f8"),
        ("noise_rms_V", "f8"),
        ("lsb_V", "f8"),
        ("range_V", "f8"),
        ("held", "i8"),  # 1: the last sample again
    ],
    align=True,
)
TEMPERATURE_SENSOR = np.dtype(
    [
        ("gain", "f8"),
        ("offset_K", "f8"),
        ("noise_rms_K", "f8"),
        ("time_constant_s", "f8"),  # 0: none
        ("lsb_K", "f8"),  # 0: no converter
    ],
    align=True,
)
SENSOR_STATE = np.dtype(
    [
        ("filtered_d_A", "f8"),
        ("filtered_q_A", "f8"),
        ("tracked_rad", "f8"),
        ("tracked_rad_s", "f8"),
        ("noise_sin", "f8"),
        ("noise_cos", "f8"),
        ("turns", "f8"),  # whole turns that the rotor's angle was wrapped by
        ("encoder_turn", "f8"),  # turn of the last sample, and what the count started from
        ("encoder_from_count", "f8"),
        ("encoder_from_mark", "f8"),
        ("encoder_from_rad", "f8"),
        ("encoder_count", "f8"),  # of the last sample
        ("encoder_rad_s", "f8"),
        ("winding_degC", "f8"),  # behind the sensor's lag
        ("junction_degC", "f8"),
    ],
    align=True,
)
