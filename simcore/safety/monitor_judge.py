"""A check's debounce and latch: one function for all of them.

Checked: tests/safety/test_monitor_debounce.py.
"""

from simcore.kernel import kernel


@kernel
def judge(check, memory, value, beyond, tick):
    """(check, its memory, what it looked at, whether that lies beyond its limit) => memory counted on, tripped or cleared.

    The count goes up by one where the value lies beyond and down by one where not, so that a value that comes and goes half of
    the time does not trip; a check that does not latch clears when the count is back at zero.
    """
    if beyond:
        if memory.count < check.samples:
            memory.count += 1
        if memory.count >= check.samples and memory.tripped == 0:
            memory.tripped = 1
            memory.trips += 1
            if memory.tick < 0:
                memory.tick, memory.value = tick, value
    elif memory.count > 0:
        memory.count -= 1
    if memory.count == 0 and check.latching == 0:
        memory.tripped = 0


@kernel
def look(safety, monitor, index, value, beyond, tick):
    """(number of a check, value, whether it lies beyond) => judged where the check is made."""
    if safety.checks[index].on:
        judge(safety.checks[index], monitor.checks[index], value, beyond, tick)


@kernel
def above(safety, monitor, index, value, tick):
    """(number of a check, value) => judged against its limit."""
    look(safety, monitor, index, value, value > safety.checks[index].limit, tick)
