"""Checks of the link voltage: too high, too low, not discharged in time.

Checked: tests/safety/test_monitor_link.py.
"""

from simcore.kernel import kernel
from simcore.safety.monitor_judge import above, look
from simcore.safety.monitor_records import LINK_DISCHARGE, LINK_OVERVOLTAGE, LINK_UNDERVOLTAGE


@kernel
def check_link(safety, monitor, m, update, tick):
    """(measurement, number of the update) => the link's checks judged."""
    value = m.link_voltage_V
    above(safety, monitor, LINK_OVERVOLTAGE, value, tick)
    look(safety, monitor, LINK_UNDERVOLTAGE, value, value < safety.checks[LINK_UNDERVOLTAGE].limit, tick)
    late = update >= safety.discharge_from
    look(safety, monitor, LINK_DISCHARGE, value, late and value > safety.checks[LINK_DISCHARGE].limit, tick)
