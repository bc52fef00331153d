"""Layout of the inverter's parameters and of the switched legs' state."""

import numpy as np

INVERTER = np.dtype(
    [
        ("switched", "i8"),
        ("ideal", "i8"),
        ("is_mosfet", "i8"),
        ("tick_s", "f8"),
        ("dead_time_s", "f8"),
        ("minimum_pulse_s", "f8"),
        ("sign_band_A", "f8"),
        ("switch_threshold_V", "f8"),
        ("switch_slope_ohm", "f8"),
        ("diode_threshold_V", "f8"),
        ("diode_slope_ohm", "f8"),
    ],
    align=True,
)

# Times count from the start of the running tick; NEVER stands for an event that is not due.
NEVER = 1e300
LEGS = np.dtype(
    [
        ("command", "i8", (3,)),  # what the modulator asks: 1 upper, 0 lower
        ("gate", "i8", (3,)),  # 1 upper on, -1 lower on, 0 both off
        ("diode", "i8", (3,)),  # with both off: 1 upper diode, -1 lower diode, 0 no current
        ("edge_s", "f8", (3,)),
        ("gate_on_s", "f8", (3,)),
    ],
    align=True,
)
