"""Layout of the inverter's parameters and state: legs, devices, gate settings, heat."""

import numpy as np

from simcore.plant.records import MOST_STAGES

# What is broken in the power stage and at the machine's terminals; all zero: nothing.  Devices are counted 2 leg + side (side 0
# the upper, 1 the lower one).  Written in the middle of a run, acts from the next tick on.
FAULTS = np.dtype(
    [
        ("active", "i8"),  # 1: any of the following is not zero
        ("stuck_open", "i8", (6,)),  # that switch never conducts; its diode does
        ("stuck_closed", "i8", (6,)),  # that switch always conducts
        ("driver_lost", "i8", (3,)),  # neither switch of the leg is ever driven
        ("on_delay_s", "f8", (6,)),  # a slow gate turns on, off so much later
        ("off_delay_s", "f8", (6,)),
        ("through_ohm", "f8"),  # of a leg with both switches on, rail to rail; 0: 10 mohm
        ("phase_open", "i8", (3,)),  # the line from leg to machine parts, when its current next passes zero
        ("short_ohm", "f8", (3,)),  # between the machine's terminals a-b, b-c, c-a; 0: none
    ],
    align=True,
)
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
        ("faults", FAULTS),
    ],
    align=True,
)

# Times count from the start of the running tick; NEVER stands for an event that is not due.
NEVER = 1e300
LEGS = np.dtype(
    [
        ("command", "i8", (3,)),  # what the modulator asks: 1 upper, 0 lower
        ("gate", "i8", (3,)),  # 1 upper on, -1 lower on, 0 both off, 2 both on
        ("diode", "i8", (3,)),  # with both off: 1 upper diode, -1 lower diode, 0 no current
        ("edge_s", "f8", (3,)),
        ("gate_on_s", "f8", (3,)),
        ("by_edges", "i8"),  # this tick is integrated 0: with averaged legs, 1: from edge to edge, 2: so with faults
        ("off", "i8"),  # 1: all gates are off by command
        ("driven", "i8", (6,)),  # with faults: what the drivers do to each switch, and when they change it
        ("on_s", "f8", (6,)),
        ("off_s", "f8", (6,)),
        ("parted", "i8", (3,)),  # 1: no current can flow between this leg and the machine
        ("line_sign", "f8", (3,)),  # of the current that must end before an opened line parts
        ("backward_A", "f8"),  # largest current that a diode carried against its direction in the run
        ("line_peak_A", "f8"),  # with faults: largest current between a leg and the machine in the tick
        ("through_A", "f8"),  # and from rail to rail through a leg with both switches on
    ],
    align=True,
)

# Devices are counted 2 leg + side, side 0 the upper and 1 the lower one.
UPPER, LOWER = 0, 1
MOST_POINTS, MOST_SETTINGS, MOST_RULES = 12, 8, 8
CURVE = np.dtype([("count", "i8"), ("x", "f8", (MOST_POINTS,)), ("y", "f8", (MOST_POINTS,))], align=True)
LEG_DEVICES = np.dtype(
    [
        ("switch_V", CURVE),  # over the junction temperature [degC]
        ("switch_ohm", CURVE),
        ("diode_V", CURVE),
        ("diode_ohm", CURVE),
        ("over_current", CURVE),  # factor on the switch's resistance over its current [A]; count 0: none
        ("stray_H", "f8"),
    ],
    align=True,
)
# Tables of a setting are (place, pairs) in the flat table: current [A] and energy [J] or slope.
GATE = np.dtype(
    [
        ("on", "i8", (2,)),
        ("off", "i8", (2,)),
        ("recovery", "i8", (2,)),
        ("di_dt", "i8", (2,)),
        ("dv_dt", "i8", (2,)),
        ("reference_V", "f8"),
        ("reference_degC", "f8"),
        ("exponent", "f8"),
        ("per_K", "f8"),
        ("diode_exponent", "f8"),
        ("diode_per_K", "f8"),
        ("driver_J", "f8"),  # of one turn-on and turn-off of one switch
    ],
    align=True,
)
# A rule holds while every condition does; absent ones are -inf and inf.
RULE = np.dtype(
    [
        ("above_A", "f8"), ("below_A", "f8"), ("hysteresis_A", "f8"),
        ("above_V", "f8"), ("below_V", "f8"), ("hysteresis_V", "f8"),
        ("above_degC", "f8"), ("below_degC", "f8"), ("hysteresis_K", "f8"),
        ("use", "i8"),
    ],
    align=True,
)  # fmt: skip
# One step of a device's thermal network between its losses and its base, mode by mode (plant/thermal_network.py).
NETWORK = np.dtype(
    [
        ("count", "i8"),
        ("decay", "f8", (MOST_STAGES,)),
        ("in_power", "f8", (MOST_STAGES,)),
        ("in_base", "f8", (MOST_STAGES,)),
        ("to_junction", "f8", (MOST_STAGES,)),
        ("to_flow", "f8", (MOST_STAGES,)),
        ("base_W_per_K", "f8"),
    ],
    align=True,
)
POWER = np.dtype(
    [
        ("active", "i8"),
        ("settings", "i8"),  # 0: no switching loss
        ("first_setting", "i8"),
        ("rules", "i8"),
        ("per_leg", "i8"),
        ("rule", RULE, (MOST_RULES,)),
        ("devices", LEG_DEVICES, (3,)),
        ("gates", GATE, (3 * MOST_SETTINGS,)),  # 3 setting + leg
        ("capacitor_ohm", "f8"),
        ("window_tick", "i8"),  # at which the window of mean losses begins
        ("heat", "i8"),
        ("heat_ticks", "i8"),
        ("heat_step_s", "f8"),
        ("one_chip", "i8"),  # 1: the diode's losses heat the switch
        ("coolant_degC", "f8"),
        ("switch_path", NETWORK),
        ("diode_path", NETWORK),
        ("sink_count", "i8"),  # 0: bases at the coolant's temperature
        ("sink_J_per_K", "f8", (MOST_STAGES,)),
        ("sink_W_per_K", "f8", (MOST_STAGES,)),  # from node k to the next, the last to the coolant
        ("machine_heat", "i8"),
        ("machine_ticks", "i8"),
        ("machine_step_s", "f8"),
        ("machine_coolant_degC", "f8"),
        ("winding_J_per_K", "f8"),
        ("iron_J_per_K", "f8"),
        ("magnet_J_per_K", "f8"),
        ("winding_to_iron_W_per_K", "f8"),
        ("iron_to_coolant_W_per_K", "f8"),
        ("magnet_to_iron_W_per_K", "f8"),
        ("magnet_share", "f8"),  # of the iron loss that arises in the magnets
        ("resistance_ohm", "f8"),  # of the winding at reference_degC
        ("reference_degC", "f8"),
        ("copper_per_K", "f8"),
        ("magnet_flux_Wb", "f8"),  # at reference_degC; 0: a flux map, which keeps its flux
        ("magnet_per_K", "f8"),
    ],
    align=True,
)
POWER_STATE = np.dtype(
    [
        ("setting", "i8", (3,)),
        ("asked", "i8"),  # by the controller; -1: the plan's or the scenario's
        ("rule_on", "i8", (3 * MOST_RULES,)),  # 3 rule + leg
        ("gate_seen", "i8", (3,)),
        ("level", "i8", (3,)),  # of a leg at the end of an averaged tick: 1 upper, 0 lower; -1: not known
        ("edge_at", "f8", (3,)),  # of an averaged tick: place of each leg's edge in it, 0..1
        ("edge_A", "f8", (3, 3)),  # and each phase's current at each of them
        ("id_A", "f8"),  # at the start of the tick or interval
        ("iq_A", "f8"),
        ("angle", "f8"),
        ("link_J", "f8"),
        ("terminal_J", "f8"),
        ("short_J", "f8"),
        ("switching_J", "f8"),  # of this tick, drawn from the link in the next
        ("driver_J", "f8"),
        ("capacitor_J", "f8"),
        ("ripple_J", "f8"),  # conduction of averaged ticks beyond what their laws lost, not yet drawn from the link
        ("leg_J", "f8", (3,)),
        ("drawn_ripple_J", "f8"),
        ("drawn_switching_J", "f8"),
        ("drawn_driver_J", "f8"),
        ("drawn_capacitor_J", "f8"),
        ("row_switching_J", "f8"),
        ("row_driver_J", "f8"),
        ("row_capacitor_J", "f8"),
        ("row_leg_J", "f8", (3,)),
        ("row_peak_V", "f8"),  # link voltage and overshoot of the row's worst turn-off
        ("row_dv_dt", "f8"),
        ("switch_J", "f8", (6,)),  # since the last heat step
        ("diode_J", "f8", (6,)),
        ("copper_J", "f8"),
        ("iron_J", "f8"),
        ("window_switch_J", "f8", (6,)),  # since the last look at the thermal steady state
        ("window_diode_J", "f8", (6,)),
        ("window_copper_J", "f8"),
        ("window_iron_J", "f8"),
        ("switch_mode", "f8", (6 * MOST_STAGES,)),
        ("diode_mode", "f8", (6 * MOST_STAGES,)),
        ("switch_degC", "f8", (6,)),
        ("diode_degC", "f8", (6,)),
        ("sink_K", "f8", (MOST_STAGES,)),  # over the coolant
        ("winding_degC", "f8"),
        ("iron_degC", "f8"),
        ("magnet_degC", "f8"),
        ("magnet_J", "f8"),  # given to the field's store by a magnet that changes its temperature
        ("beyond_A", "f8"),  # largest switched current outside a table
        ("peak_V", "f8"),  # of the run
        ("peak_dv_dt", "f8"),
        ("hottest_degC", "f8"),  # of the run
    ],
    align=True,
)
