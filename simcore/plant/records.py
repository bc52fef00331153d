"""Layouts of the plant: parameters that never change in a run, state that is updated in place."""

import numpy as np

RIG, FREE, LOCKED = 0, 1, 2
STIFF, CAPACITOR, CAPACITOR_AND_CHOKE = 0, 1, 2

MACHINE = np.dtype(
    [
        ("pole_pairs", "f8"),
        ("resistance_ohm", "f8"),
        ("inductance_d_H", "f8"),
        ("inductance_q_H", "f8"),
        ("magnet_flux_Wb", "f8"),
        ("use_map", "i8"),
        ("map_offset", "i8"),
    ],
    align=True,
)
SHAFT = np.dtype(
    [
        ("kind", "i8"),
        ("inertia_kg_m2", "f8"),
        ("viscous_Nm_s", "f8"),
        ("coulomb_Nm", "f8"),
        ("stiction_Nm", "f8"),
    ],
    align=True,
)
LINK = np.dtype(
    [
        ("kind", "i8"),
        ("source_V", "f8"),
        ("resistance_ohm", "f8"),
        ("inductance_H", "f8"),
        ("capacitance_F", "f8"),
    ],
    align=True,
)

# What is integrated: flux linkages [Wb], shaft [rad/s, rad mechanical], link [V], supply [A].
PLANT_STATE = np.dtype(
    [
        ("psi_d", "f8"),
        ("psi_q", "f8"),
        ("omega", "f8"),
        ("theta", "f8"),
        ("link_V", "f8"),
        ("supply_A", "f8"),
        ("stuck", "i8"),
    ],
    align=True,
)

# What holds during one interval: leg laws (inverter/legs.py) and the shaft's forcing.
DRIVE = np.dtype(
    [
        ("ideal", "i8"),
        ("u_alpha", "f8"),
        ("u_beta", "f8"),
        ("u", "f8", (3,)),
        ("dead_error", "f8", (3,)),
        ("threshold_V", "f8", (3,)),
        ("threshold_skew_V", "f8", (3,)),
        ("slope_ohm", "f8", (3,)),
        ("slope_skew_ohm", "f8", (3,)),
        ("sign_band2_A2", "f8"),
        ("open_leg", "i8"),  # -1: none; 0, 1, 2: that leg floats without current; 3: all do
        ("load_torque_Nm", "f8"),
        ("friction_Nm", "f8"),
        ("acceleration", "f8"),  # rad/s2 of an imposed speed
    ],
    align=True,
)

# Integrals over a tick, the source of every mean and of the audit.
SUMS = np.dtype(
    [
        ("vd", "f8"),
        ("vq", "f8"),
        ("v_alpha", "f8"),
        ("v_beta", "f8"),
        ("link_C", "f8"),
        ("supply_C", "f8"),
        ("supply_loss_J", "f8"),
        ("link_J", "f8"),
        ("terminal_J", "f8"),
        ("copper_J", "f8"),
        ("shaft_J", "f8"),
        ("viscous_J", "f8"),
        ("coulomb_J", "f8"),
        ("load_J", "f8"),
        ("magnetic_J", "f8"),  # of a flux map; constants have a closed form
    ],
    align=True,
)
