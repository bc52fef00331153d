"""What a gate driver watches at its own switches: the voltage across one that is on, and whether the gate follows.

Desaturation: a switch that is driven should show no more than its drop; one in a leg shorted through shows half the link, one
that does not conduct shows the link itself unless its diode carries the current (common practice, no source).
Checked: tests/safety/test_monitor_gates.py.
"""

from simcore.kernel import kernel


@kernel
def switch_voltage(inverter, legs, link_V, ia, ib, ic):
    """(legs at the end of a tick, line currents [A]) => largest voltage across a switch that is on [V]."""
    largest_A = max(abs(ia), max(abs(ib), abs(ic)))
    if legs.by_edges == 2:
        largest_A = max(largest_A, legs.line_peak_A)
    value = 0.0
    if legs.off == 0:
        value = inverter.switch_threshold_V + inverter.switch_slope_ohm * largest_A
    if legs.by_edges != 2:
        return value
    if legs.through_A > 0.0:
        value = max(value, 0.5 * link_V)
    for device in range(6):
        leg = device // 2
        if legs.driven[device] and inverter.faults.driver_lost[leg] == 0 and inverter.faults.stuck_open[device]:
            own_diode = 1 if device == 2 * leg else -1
            if legs.gate[leg] != 0 or legs.diode[leg] != own_diode:
                value = max(value, link_V)
    return value


@kernel
def gate_delay(inverter, legs, gates_on, waited_s):
    """(legs after a tick) => longest time by which a gate follows late, and for which one has not followed [s]."""
    if legs.by_edges != 2:
        return 0.0, 0.0
    faults = inverter.faults
    late_s, lost = 0.0, False
    for device in range(6):
        late_s = max(late_s, max(faults.on_delay_s[device], faults.off_delay_s[device]))
        lost = lost or (gates_on != 0 and faults.driver_lost[device // 2] != 0)
    waited_s = waited_s + inverter.tick_s if lost else 0.0
    return max(late_s, waited_s), waited_s
