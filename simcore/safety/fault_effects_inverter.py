"""What faults of the power stage do: fields of inverter/records.py FAULTS, devices counted 2 leg + side (upper, lower)."""

from simcore.safety.fault_effect import fixed, param

LEGS, SIDES, LINES = "abc", ("upper", "lower"), ("ab", "bc", "ca")


def _fault(*changes):
    """Changes of [name, index, how, value] => with the flag that any of them acts."""
    found = [fixed("inverter", "faults", "active", 1)]
    return found + [param("inverter", "faults", *place_how_value) for place_how_value in changes]


def _stuck(name):
    def effect(fault, bench):
        return _fault((name, 2 * LEGS.index(fault.leg) + SIDES.index(fault.side), "set", 1))

    return effect


def _driver_lost(fault, bench):
    return _fault(("driver_lost", LEGS.index(fault.leg), "set", 1))


def _driver_slow(fault, bench):
    first = 2 * LEGS.index(fault.leg)
    delays = (("on_delay_s", fault.turn_on_delay_s), ("off_delay_s", fault.turn_off_delay_s))
    return _fault(*((name, first + side, "add", delay) for name, delay in delays for side in range(2)))


def _shoot_through(fault, bench):
    first = 2 * LEGS.index(fault.leg)
    both = [("stuck_closed", first + side, "set", 1) for side in range(2)]
    return _fault(*both, ("through_ohm", "set", fault.resistance_ohm))


def _phase_open(fault, bench):
    return _fault(("phase_open", LEGS.index(fault.phase), "set", 1))


def _two_shorted(fault, bench):
    return _fault(("short_ohm", LINES.index(fault.phases), "set", fault.resistance_ohm))


def _three_shorted(fault, bench):
    return _fault(*(("short_ohm", line, "set", fault.resistance_ohm) for line in range(3)))


INVERTER_EFFECTS = {
    "switch_stuck_open": _stuck("stuck_open"),
    "switch_stuck_closed": _stuck("stuck_closed"),
    "gate_driver_lost": _driver_lost,
    "gate_driver_slow": _driver_slow,
    "shoot_through": _shoot_through,
    "phase_open": _phase_open,
    "phase_phase_short": _two_shorted,
    "three_phase_short": _three_shorted,
}
