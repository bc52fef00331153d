"""Layouts of the sensors: errors (constant in a run) and states (filters, tracking loop)."""

import numpy as np

IDEAL, RESOLVER = 0, 1

CURRENT_SENSOR = np.dtype(
    [
        ("phases", "i8"),  # 3, or 2 with the third from the sum
        ("offset_A", "f8", (3,)),
        ("gain", "f8", (3,)),
        ("noise_rms_A", "f8"),
        ("bandwidth_rad_s", "f8"),  # 0: no filter
        ("lsb_A", "f8"),  # 0: no converter
        ("range_A", "f8"),  # 0: unlimited
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
    ],
    align=True,
)
