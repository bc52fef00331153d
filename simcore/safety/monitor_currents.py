"""Checks of the phase currents alone: too large, their sum, a sensor at its end or standing still.

Checked: tests/safety/test_monitor_currents.py.
"""

from simcore.kernel import kernel
from simcore.rotation import INV_SQRT3, wrap
from simcore.safety.monitor_judge import above, look
from simcore.safety.monitor_records import CURRENT_RANGE, CURRENT_STUCK, CURRENT_SUM, OVERCURRENT


@kernel
def check_currents(safety, monitor, m, tick):
    """(measurement) => the currents' checks judged."""
    largest = max(abs(m.ia_A), max(abs(m.ib_A), abs(m.ic_A)))
    above(safety, monitor, OVERCURRENT, largest, tick)
    above(safety, monitor, CURRENT_SUM, abs(m.ia_A + m.ib_A + m.ic_A), tick)
    look(safety, monitor, CURRENT_RANGE, largest, largest >= safety.checks[CURRENT_RANGE].limit, tick)
    if safety.checks[CURRENT_STUCK].on:
        above(safety, monitor, CURRENT_STUCK, way_not_gone(safety, monitor, m), tick)


@kernel
def way_not_gone(safety, monitor, m):
    """(samples) => how far the rotor's turning alone should have moved a current that has not left its place [A]; the largest.

    A vector that turns by x moves a phase by x times its part across that phase.
    """
    turned = abs(wrap(m.angle_electrical_rad - monitor.last_rad))
    largest = 0.0
    for phase in range(3):
        now = m.ia_A if phase == 0 else (m.ib_A if phase == 1 else m.ic_A)
        ahead = m.ib_A if phase == 0 else (m.ic_A if phase == 1 else m.ia_A)
        behind = m.ic_A if phase == 0 else (m.ia_A if phase == 1 else m.ib_A)
        if monitor.started == 0 or abs(now - monitor.anchor_A[phase]) > safety.stuck_A:
            monitor.anchor_A[phase] = now
            monitor.way_A[phase] = 0.0
        else:
            monitor.way_A[phase] += turned * abs(ahead - behind) * INV_SQRT3
        largest = max(largest, monitor.way_A[phase])
    return largest
