"""Layouts of the plant: parameters that never change in a run, state that is updated in place."""

import numpy as np

RIG, FREE, LOCKED, TWO_MASS = 0, 1, 2, 3
STIFF, CAPACITOR, CAPACITOR_AND_CHOKE = 0, 1, 2
FAULTY = 4  # open_leg while something is broken (plant/faulty_terminals.py)
DETAIL_ORDERS = 6
MOST_STAGES = 6  # of a thermal network

MACHINE = np.dtype(
    [
        ("pole_pairs", "f8"),
        ("resistance_ohm", "f8"),
        ("inductance_d_H", "f8"),
        ("inductance_q_H", "f8"),
        ("magnet_flux_Wb", "f8"),  # with a map: on top of its own (below zero where magnets lost flux)
        ("use_map", "i8"),
        ("map_offset", "i8"),
        ("detail", "i8"),  # 1: anything of the following is not zero (plant/detail.py)
        ("eddy_S", "f8"),
        ("hysteresis_A_per_Wb", "f8"),
        ("hysteresis_band_rad_s", "f8"),
        ("emf_count", "i8"),
        ("emf_order", "f8", (DETAIL_ORDERS,)),  # of the electrical angle in the rotor frame, signed
        ("emf_flux_Wb", "f8", (DETAIL_ORDERS,)),
        ("emf_phase_rad", "f8", (DETAIL_ORDERS,)),
        ("cogging_count", "i8"),
        ("cogging_order", "f8", (DETAIL_ORDERS,)),  # of the mechanical angle
        ("cogging_Nm", "f8", (DETAIL_ORDERS,)),
        ("cogging_phase_rad", "f8", (DETAIL_ORDERS,)),
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
        ("rough", "i8"),  # 1: drag or gear loss is not zero
        ("drag_Nm_s2", "f8"),
        ("gear_loss", "f8"),  # share of the torque lost while driving
        ("gear_loss_back", "f8"),  # the same while the load drives
        ("load_inertia_kg_m2", "f8"),
        ("stiffness_Nm_per_rad", "f8"),
        ("damping_Nm_s", "f8"),
        ("half_backlash_rad", "f8"),
        ("shock_Nm", "f8"),  # on top of the load torque
    ],
    align=True,
)
LINK = np.dtype(
    [
        ("kind", "i8"),
        ("resistance_ohm", "f8"),
        ("inductance_H", "f8"),
        ("capacitance_F", "f8"),
        ("active", "i8"),  # 1: mains, diodes or chopper to be looked at before every step
        ("one_way", "i8"),  # 1: diodes in front, no current back
        ("line_rad_s", "f8"),  # angular frequency of the mains; 0: the source is constant
        ("line_peak_V", "f8"),  # line-line
        ("chopper_S", "f8"),  # conductance of the brake resistor; 0: none
        ("chopper_on_V", "f8"),
        ("chopper_off_V", "f8"),
        ("short_S", "f8"),  # conductance of a short across the link; 0: none
        ("auxiliary_W", "f8"),
        ("auxiliary_off_V", "f8"),  # below it the auxiliary load draws nothing
        ("battery", "i8"),
        ("capacity_C", "f8"),
        ("polarisation_ohm", "f8"),
        ("polarisation_s", "f8"),  # time constant of the RC pair; 0: none
        ("curve_start", "i8"),  # open-circuit voltage over charge: place and pairs in the profile points
        ("curve_count", "i8"),
    ],
    align=True,
)

# What is integrated: flux linkages [Wb], shaft [rad/s, rad mechanical], link [V], supply [A], second mass, battery.
PLANT_STATE = np.dtype(
    [
        ("psi_d", "f8"),
        ("psi_q", "f8"),
        ("omega", "f8"),
        ("theta", "f8"),
        ("link_V", "f8"),
        ("supply_A", "f8"),
        ("omega_load", "f8"),  # second mass [rad/s]
        ("twist", "f8"),  # rotor angle less load angle [rad]
        ("charge", "f8"),  # battery's state of charge, 0..1
        ("polarisation_V", "f8"),
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
        ("open_leg", "i8"),  # -1: none; 0, 1, 2: that leg floats without current; 3: all do; 4: as the next two say
        ("tied", "i8", (3,)),  # 1: the leg's law holds its terminal
        ("diode_sign", "i8", (3,)),  # of the current that a leg's law is written for; 0: either
        ("between_S", "f8", (3,)),  # conductance between the terminals a-b, b-c, c-a
        ("through_S", "f8"),  # conductance across the link of legs with both switches on
        ("load_torque_Nm", "f8"),
        ("friction_Nm", "f8"),
        ("acceleration", "f8"),  # rad/s2 of an imposed speed
        ("source_V", "f8"),  # behind the supply's resistance
        ("polarisation_V", "f8"),  # what the battery's RC pair takes from its open-circuit voltage
        ("chopper_on", "i8"),
        ("chopper_S", "f8"),  # conductance across the link now: chopper and short
        ("blocked", "i8"),  # 1: the rectifier's diodes carry nothing
        ("auxiliary_W", "f8"),
        ("loss_W", "f8"),  # taken from the link besides: switching, drivers, capacitor
        ("own_devices", "i8"),  # 1: each device has a drop of its own, as follows (2 leg + side)
        ("switch_V", "f8", (6,)),
        ("switch_ohm", "f8", (6,)),
        ("diode_V", "f8", (6,)),
        ("diode_ohm", "f8", (6,)),
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
        ("supply_J", "f8"),
        ("supply_loss_J", "f8"),
        ("link_J", "f8"),
        ("terminal_J", "f8"),
        ("copper_J", "f8"),
        ("shaft_J", "f8"),
        ("viscous_J", "f8"),
        ("coulomb_J", "f8"),
        ("load_J", "f8"),
        ("magnetic_J", "f8"),  # of a flux map; constants have a closed form
        ("iron_J", "f8"),
        ("shaft_loss_J", "f8"),  # gear and the elastic shaft's damping
        ("chopper_J", "f8"),
        ("short_J", "f8"),  # between terminals, and in legs with both switches on
        ("below_V2", "f8"),  # sum over steps that left the link below 0 V, where it was held
    ],
    align=True,
)
