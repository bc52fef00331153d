"""Switched legs, exact from edge to edge: the outgoing switch turns off at the ideal edge, the incoming one a dead time later.

With both switches off the diode path follows the current's sign; a leg whose current has ended floats until a gate turns on.
On even ticks an upper switch is on from the start for duty x tick, on odd ticks from (1 - duty) x tick on.
Checked: tests/inverter/test_switched_circuit.py, tests/reference/test_pwm_spectra.py,
tests/reference/test_dead_time.py.
"""

from simcore.inverter.legs import drop_short_pulse, set_ideal_vector, set_leg
from simcore.inverter.records import NEVER
from simcore.kernel import kernel


@kernel
def _command(inverter, legs, leg, command, at_s):
    """(new command of a leg at time at_s) => gates: the outgoing one off now, the incoming one on after the dead time."""
    legs.command[leg] = command
    if inverter.dead_time_s > 0.0:
        legs.gate[leg] = 0
        legs.gate_on_s[leg] = at_s + inverter.dead_time_s
        legs.diode[leg] = 2  # not yet decided
    else:
        legs.gate[leg] = 1 if command else -1


@kernel
def first_command(inverter, duty, odd):
    """(duty, parity of the tick) => the command that a tick begins with, and when it changes [s], NEVER where it does not."""
    duty = drop_short_pulse(inverter, duty)
    first = (1 if duty >= 1.0 else 0) if odd else (1 if duty > 0.0 else 0)
    if 0.0 < duty < 1.0:
        return first, (1.0 - duty if odd else duty) * inverter.tick_s
    return first, NEVER


@kernel
def enter_switched(legs, duties, odd):
    """(duties of the first tick after averaged ones) => legs as they would stand there: settled, nothing pending."""
    legs.off = 0
    for leg in range(3):
        legs.command[leg] = 1 if (duties[leg] >= 1.0 if odd else duties[leg] > 0.0) else 0
        legs.gate[leg] = 1 if legs.command[leg] else -1
        legs.diode[leg] = 0
        legs.edge_s[leg] = legs.gate_on_s[leg] = NEVER


@kernel
def turn_gates_off(legs):
    """(legs) => all six switches off from the start of this tick; what was pending is dropped."""
    for leg in range(3):
        if legs.gate[leg] != 0:
            legs.gate[leg], legs.diode[leg] = 0, 2
        legs.edge_s[leg] = legs.gate_on_s[leg] = NEVER


@kernel
def begin_switched_tick(inverter, legs, duties, odd):
    """(duties, parity of the tick) => the command edges of this tick; what the last tick left pending is carried over."""
    for leg in range(3):
        if legs.gate_on_s[leg] < NEVER:
            legs.gate_on_s[leg] -= inverter.tick_s
        first, legs.edge_s[leg] = first_command(inverter, duties[leg], odd)
        if legs.command[leg] != first:
            _command(inverter, legs, leg, first, 0.0)
        if legs.off:
            # Both have long been off: the first one turns on without a dead time.
            legs.gate[leg], legs.gate_on_s[leg] = (1 if first else -1), NEVER
    legs.off = 0


@kernel
def next_event_s(legs):
    """(legs) => time of the next edge or gate turn-on in this tick [s], NEVER when none is due."""
    due = NEVER
    for leg in range(3):
        due = min(due, min(legs.edge_s[leg], legs.gate_on_s[leg]))
    return due


@kernel
def pass_events(inverter, legs, now_s):
    """(time) => every edge and turn-on due by now has acted."""
    for leg in range(3):
        if legs.gate_on_s[leg] <= now_s:
            legs.gate_on_s[leg] = NEVER
            legs.gate[leg] = 1 if legs.command[leg] else -1
        if legs.edge_s[leg] <= now_s:
            at = legs.edge_s[leg]
            legs.edge_s[leg] = NEVER
            _command(inverter, legs, leg, 1 - legs.command[leg], at)


@kernel
def set_switched_legs(inverter, legs, drive, ia, ib, ic, floor_A):
    """(leg states, phase currents [A]) => leg laws of the interval.  Currents below floor_A count as none in an open leg."""
    open_legs = 0
    drive.open_leg = -1
    for leg in range(3):
        if legs.gate[leg] != 0:
            u = 1.0 if legs.gate[leg] > 0 else 0.0
            set_leg(inverter, drive, leg, u, 0.0, 0.0)
            continue
        current = ia if leg == 0 else (ib if leg == 1 else ic)
        if legs.diode[leg] == 2:
            legs.diode[leg] = -1 if current > floor_A else (1 if current < -floor_A else 0)
        if legs.diode[leg] == 0:
            drive.open_leg = leg
            open_legs += 1
        u = 1.0 if legs.diode[leg] > 0 else (0.0 if legs.diode[leg] < 0 else 0.5)
        set_leg(inverter, drive, leg, u, 0.0, 1.0)
        drive.diode_sign[leg] = -legs.diode[leg]
        if legs.diode[leg] == 0:
            drive.threshold_V[leg] = 0.0
            drive.threshold_skew_V[leg] = 0.0
            drive.slope_ohm[leg] = 0.0
            drive.slope_skew_ohm[leg] = 0.0
    if open_legs > 1:
        # The currents' sum is zero, so the third leg carries none either: a diode of its own must not go on conducting.
        for leg in range(3):
            if legs.gate[leg] == 0:
                legs.diode[leg] = 0
        drive.open_leg = 3
    drive.ideal = inverter.ideal
    drive.sign_band2_A2 = 1e-18
    set_ideal_vector(drive)
