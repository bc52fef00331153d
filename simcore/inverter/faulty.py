"""Legs with something broken: each switch by its own driver, stuck or slow ones, both on at once, lines that part.

The drivers' side (`driven`) is kept apart from what conducts (`gate`), so that any fault may come and go within a run.
A leg with both switches on is a divider of two equal resistances across the link: v = Vdc/2 - R i/4, R from rail to rail.
Checked: tests/inverter/test_broken_legs.py.
"""

from simcore.inverter.legs import set_leg
from simcore.inverter.records import NEVER
from simcore.inverter.switched import first_command
from simcore.kernel import kernel
from simcore.plant.records import FAULTY

THROUGH_ohm = 0.01  # where none is given


@kernel
def begin_faults(legs):
    """(healthy legs) => the same told switch by switch."""
    for leg in range(3):
        upper, lower = 2 * leg, 2 * leg + 1
        legs.driven[upper], legs.driven[lower] = 1 if legs.gate[leg] > 0 else 0, 1 if legs.gate[leg] < 0 else 0
        legs.on_s[upper] = legs.on_s[lower] = legs.off_s[upper] = legs.off_s[lower] = NEVER
        if legs.gate_on_s[leg] < NEVER:
            legs.on_s[upper if legs.command[leg] else lower] = legs.gate_on_s[leg]
            legs.gate_on_s[leg] = NEVER
        legs.parted[leg], legs.line_sign[leg] = 0, 0.0


@kernel
def end_faults(legs, drive):
    """(legs told switch by switch) => healthy legs; a switch that is still to turn on keeps its time."""
    for leg in range(3):
        upper, lower = 2 * leg, 2 * leg + 1
        asked = upper if legs.command[leg] else lower
        legs.gate_on_s[leg] = legs.on_s[asked]
        legs.gate[leg] = 0
        if legs.driven[asked] and legs.gate_on_s[leg] >= NEVER:
            legs.gate[leg] = 1 if legs.command[leg] else -1
        elif legs.gate_on_s[leg] >= NEVER and legs.off == 0:
            legs.gate_on_s[leg] = 0.0
        legs.diode[leg] = 2
        legs.parted[leg] = 0
        drive.tied[leg], drive.diode_sign[leg], drive.between_S[leg] = 0, 0, 0.0
    drive.through_S = 0.0


@kernel
def _command(inverter, legs, leg, command, at_s, dead_s):
    """(new command of a leg at time at_s) => its switches' times: the outgoing one off, the incoming one on after dead_s."""
    faults = inverter.faults
    legs.command[leg] = command
    going, coming = (2 * leg + 1, 2 * leg) if command else (2 * leg, 2 * leg + 1)
    legs.on_s[going] = NEVER
    if legs.driven[going]:
        legs.off_s[going] = at_s + faults.off_delay_s[going]
    legs.off_s[coming] = NEVER
    if legs.driven[coming] == 0:
        legs.on_s[coming] = at_s + dead_s + faults.on_delay_s[coming]


@kernel
def begin_faulty_tick(inverter, legs, duties, odd, gates_on):
    """(duties, parity of the tick, gates on or off by command) => the edges of this tick; what is pending is carried over."""
    faults = inverter.faults
    legs.line_peak_A = legs.through_A = 0.0
    for device in range(6):
        if legs.on_s[device] < NEVER:
            legs.on_s[device] -= inverter.tick_s
        if legs.off_s[device] < NEVER:
            legs.off_s[device] -= inverter.tick_s
    for leg in range(3):
        legs.edge_s[leg] = NEVER
        if gates_on == 0:
            for device in range(2 * leg, 2 * leg + 2):
                legs.on_s[device] = NEVER
                if legs.driven[device] and legs.off_s[device] >= NEVER:
                    legs.off_s[device] = faults.off_delay_s[device]
            continue
        first, legs.edge_s[leg] = first_command(inverter, duties[leg], odd)
        if legs.off:
            _command(inverter, legs, leg, first, 0.0, 0.0)
        elif legs.command[leg] != first:
            _command(inverter, legs, leg, first, 0.0, inverter.dead_time_s)
    legs.off = 1 if gates_on == 0 else 0


@kernel
def next_faulty_event_s(legs):
    """(legs) => time of the next edge, turn-on or turn-off in this tick [s], NEVER when none is due."""
    due = min(legs.edge_s[0], min(legs.edge_s[1], legs.edge_s[2]))
    for device in range(6):
        due = min(due, min(legs.on_s[device], legs.off_s[device]))
    return due


@kernel
def pass_faulty_events(inverter, legs, now_s):
    """(time) => every edge, turn-on and turn-off due by now has acted, and what conducts follows."""
    for leg in range(3):
        if legs.edge_s[leg] <= now_s:
            at = legs.edge_s[leg]
            legs.edge_s[leg] = NEVER
            _command(inverter, legs, leg, 1 - legs.command[leg], at, inverter.dead_time_s)
    for device in range(6):
        if legs.off_s[device] <= now_s:
            legs.driven[device], legs.off_s[device] = 0, NEVER
        if legs.on_s[device] <= now_s:
            legs.driven[device], legs.on_s[device] = 1, NEVER
    for leg in range(3):
        upper, lower = _conducts(inverter.faults, legs, leg, 2 * leg), _conducts(inverter.faults, legs, leg, 2 * leg + 1)
        gate = 2 if upper and lower else (1 if upper else (-1 if lower else 0))
        if gate == 0 and legs.gate[leg] != 0:
            legs.diode[leg] = 2  # not yet decided
        legs.gate[leg] = gate


@kernel
def _conducts(faults, legs, leg, device):
    if faults.stuck_closed[device]:
        return True
    return legs.driven[device] != 0 and faults.stuck_open[device] == 0 and faults.driver_lost[leg] == 0


@kernel
def through_resistance(inverter):
    """(inverter) => resistance from rail to rail of a leg with both switches on [ohm]."""
    return inverter.faults.through_ohm if inverter.faults.through_ohm > 0.0 else THROUGH_ohm


@kernel
def set_faulty_legs(inverter, legs, drive):
    """(what conducts) => leg laws of the interval, and what lies between terminals and rails besides."""
    through_ohm = through_resistance(inverter)
    faults = inverter.faults
    drive.through_S = 0.0
    for leg in range(3):
        gate, diode = legs.gate[leg], legs.diode[leg]
        drive.between_S[leg] = 1.0 / faults.short_ohm[leg] if faults.short_ohm[leg] > 0.0 else 0.0
        drive.tied[leg] = 0 if legs.parted[leg] or (gate == 0 and diode == 0) else 1
        on_top = gate > 0 or (gate == 0 and diode > 0)
        set_leg(inverter, drive, leg, 1.0 if on_top else 0.0, 0.0, 1.0 if gate == 0 else 0.0)
        drive.diode_sign[leg] = -diode if gate == 0 else 0  # the upper diode takes current into the leg
        if gate == 2:
            drive.through_S += 1.0 / through_ohm
            drive.u[leg] = 0.5
            drive.threshold_V[leg] = drive.threshold_skew_V[leg] = drive.slope_skew_ohm[leg] = 0.0
            drive.slope_ohm[leg] = 0.25 * through_ohm
    drive.ideal = 0
    drive.sign_band2_A2 = 1e-18
    drive.open_leg = FAULTY
