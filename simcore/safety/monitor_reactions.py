"""From tripped checks to what the drive does: the strongest reaction, the choice by speed, ramp, latch and restart.

Safe states by IEC 61800-5-2 in general terms (from memory): gates off corresponds to STO, an active short circuit does not,
because its braking torque remains.  Checked: tests/safety/test_monitor_reactions.py.
"""

from simcore.kernel import kernel
from simcore.safety.monitor_records import (
    AT_STANDSTILL,
    CHECKS,
    DERATE,
    DERATING,
    EVENTS,
    FIRST_POSITION,
    GATES_OFF,
    IN_GATES_OFF,
    IN_RAMP_DOWN,
    IN_SHORT_HIGH,
    IN_SHORT_LOW,
    LAST_POSITION,
    NEVER,
    ON_REQUEST,
    RAMP_DOWN,
    REPORT,
    RUNNING,
    SAFE_STATE,
    SHORT_ENTRY,
    SHORT_LOW,
)

COUNT = len(CHECKS)


@kernel
def overridden(state):
    """(state) => True where the monitor has taken the legs from the controller."""
    return state == IN_GATES_OFF or state >= IN_SHORT_LOW


@kernel
def strongest(safety, monitor):
    """(tripped checks) => the strongest reaction that they ask for, and the first check that asks for it (-1: none)."""
    reaction, by = REPORT, -1
    for index in range(COUNT):
        if monitor.checks[index].tripped and safety.checks[index].reaction > reaction:
            reaction, by = safety.checks[index].reaction, index
    return reaction, by


@kernel
def choose(safety, monitor):
    """(speed) => gates off or active short circuit, by the speed with hysteresis: above the one short, below the other off."""
    speed_rpm = abs(monitor.speed_rpm)
    if speed_rpm > safety.short_above_rpm:
        monitor.shorted = 1
    elif speed_rpm < safety.gates_below_rpm:
        monitor.shorted = 0
    return safety.short_side if monitor.shorted else GATES_OFF


@kernel
def trust_speed(monitor, speed_rpm):
    """(measured speed) => the speed that choices go by: the last one that no check of the position spoke against."""
    for index in range(FIRST_POSITION, LAST_POSITION + 1):
        if monitor.checks[index].count > 0 or monitor.checks[index].tripped:
            return
    monitor.speed_rpm = speed_rpm


@kernel
def react(safety, monitor, tick):
    """(tripped checks, speed) => the state that acts from this tick on; a change is noted."""
    reaction, by = strongest(safety, monitor)
    if reaction == RAMP_DOWN and monitor.share == 0.0:
        reaction = safety.after_ramp
    if reaction == SAFE_STATE:
        reaction = choose(safety, monitor)
    state = RUNNING
    if reaction == DERATE:
        state = DERATING
    elif reaction == RAMP_DOWN:
        state = IN_RAMP_DOWN
    elif reaction == GATES_OFF:
        state = IN_GATES_OFF
    elif reaction > GATES_OFF:
        state = _short(safety, monitor, IN_SHORT_LOW if reaction == SHORT_LOW else IN_SHORT_HIGH)
    by += 1
    if state == RUNNING and monitor.wanted_share < 1.0:
        state, by = DERATING, monitor.derated_by
    monitor.by = by
    if state != monitor.state:
        note(monitor, tick, state, by)


@kernel
def _short(safety, monitor, state):
    """(the short's state) => that state, or the way into it while the current is led: only where every check that has tripped
    trusts the sensors, and the legs are still the controller's."""
    shaped = monitor.state == SHORT_ENTRY or not overridden(monitor.state)
    for index in range(COUNT):
        check = safety.checks[index]
        if monitor.checks[index].tripped and check.reaction >= RAMP_DOWN and check.shaped == 0:
            shaped = False
    if not shaped:
        return state
    if monitor.state != SHORT_ENTRY:
        monitor.leading = safety.lead_updates
    return SHORT_ENTRY if monitor.leading > 0 else state


@kernel
def note(monitor, tick, state, by):
    """(tick, new state, check + 1) => the state, and an entry among the events; the last one is written over when full."""
    at = min(monitor.event_count, EVENTS - 1)
    monitor.events[at].tick, monitor.events[at].state, monitor.events[at].by = tick, state, by
    monitor.event_count += 1
    monitor.state = state


@kernel
def move_share(safety, monitor):
    """(state) => the share of the requests that the controller sees, at the ramp's rate; none of them in a safe state."""
    wanted = monitor.wanted_share
    if monitor.state == DERATING:
        reaction, _ = strongest(safety, monitor)
        wanted = min(wanted, safety.derated_share) if reaction == DERATE else wanted
    elif monitor.state == IN_RAMP_DOWN:
        wanted = 0.0
    elif overridden(monitor.state):
        monitor.share = 0.0
        return
    step = safety.share_step
    monitor.share = min(max(wanted, monitor.share - step), monitor.share + step)


@kernel
def restart(safety, monitor, run_request):
    """(run request) => everything let go again where the restart rule says so and no check has anything against it.

    At standstill: slow for the whole time.  On request: run_request has gone to 0 and come back since the trip.
    """
    reaction, _ = strongest(safety, monitor)
    if reaction < RAMP_DOWN:
        monitor.waited, monitor.asked_off = 0, 0
        return
    clear = 1
    for index in range(COUNT):
        if monitor.checks[index].count > 0:
            clear = 0
    slow = abs(monitor.speed_rpm) <= safety.restart_below_rpm
    monitor.waited = monitor.waited + 1 if clear and slow else 0
    if run_request < 0.5:
        monitor.asked_off = 1
    free = 0
    if safety.restart == AT_STANDSTILL and monitor.waited > safety.restart_updates:
        free = 1
    elif safety.restart == ON_REQUEST and monitor.asked_off and not run_request < 0.5 and clear:
        free = 1
    if free and safety.restart != NEVER:
        for index in range(COUNT):
            monitor.checks[index].tripped = 0
        monitor.restarts += 1
