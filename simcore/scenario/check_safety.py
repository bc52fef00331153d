"""[safety] against the sensors, the machine, and itself."""

from simcore.safety.check_records import HARDWARE
from simcore.scenario.checking import needs, short
from simcore.scenario.safety import Check
from simcore.scenario.safety_limits import choice_rpm, left_out, limits

# Checks whose value passes a converter of limited range: sensor, key of its range, unit.
_RANGES = {
    "overcurrent": ("current", "range_A", "A"),
    "current_range": ("current", "range_A", "A"),
    "link_overvoltage": ("link_voltage", "range_V", "V"),
    "link_undervoltage": ("link_voltage", "range_V", "V"),
}
_SLOW = ("report", "derate", "ramp_down")
_SIDES = ("active_short_low", "active_short_high")
_POSITION = ("resolver_envelope", "resolver_tracking", "angle_emf", "speed_jump")


def checks_of(safety):
    """(safety) => {name: table} of the checks that are made."""
    found = {name: safety.check(name) for name, field in type(safety).model_fields.items() if _is_check(field)}
    return {name: check for name, check in found.items() if check is not None}


def _is_check(field):
    from simcore.scenario.index import models_in

    return any(issubclass(model, Check) for model in models_in(field.annotation))


@needs("safety", "machine", "inverter", "supply", "sensors")
def thresholds(report, safety, machine, inverter, supply, sensors):
    """A limit that the sensor cannot show never trips."""
    for name, (limit, _) in limits(safety, machine, inverter, supply, sensors).items():
        sensor, key, unit = _RANGES.get(name, (None, None, None))
        reach = getattr(getattr(sensors, sensor), key) if sensor else 0.0
        if reach and (limit > reach or (limit == reach and name != "current_range")):
            at = ("safety", name, f"threshold_{unit}")
            given = "" if getattr(safety.check(name), at[-1]) is not None else f" (by default {short(limit)})"
            report.problem(
                at,
                f"lies outside what the sensor shows{given}, sensors.{sensor}.{key} = {short(reach)} ({unit})",
                "Lower the threshold, or raise the range",
            )


@needs("safety", "machine", "sensors")
def without_sensor(report, safety, machine, sensors):
    """Checks that these sensors cannot make are left out, and that is told."""
    for name in checks_of(safety):
        reason = left_out(name, sensors, machine)
        if reason:
            report.finding(("safety", name), f"{reason}; it is left out")


@needs("safety", "machine", "inverter", "supply", "sensors")
def derating(report, safety, machine, inverter, supply, sensors):
    """Derating begins below the trip."""
    found = limits(safety, machine, inverter, supply, sensors)
    for name in ("winding_temperature", "junction_temperature"):
        limit, low = found.get(name, (1.0, 0.0))
        if low >= limit:
            key = "threshold_degC" if safety.check(name).derate_from_degC is None else "derate_from_degC"
            report.problem(
                ("safety", name, key),
                f"derating from {short(low)} degC must begin below the trip at {short(limit)} (degC)",
                "Lower derate_from_degC, or raise threshold_degC",
            )
    check = safety.check("temperature_range")
    if check is not None and check.threshold_low_degC >= check.threshold_high_degC:
        report.problem(
            ("safety", "temperature_range", "threshold_low_degC"),
            f"must be below threshold_high_degC = {short(check.threshold_high_degC)} (degC)",
            "Exchange them",
        )


@needs("safety", "supply")
def link_limits(report, safety, supply):
    """Over- and under-voltage with the supply's own voltage between them."""
    high, low = safety.check("link_overvoltage"), safety.check("link_undervoltage")
    high_V = high.threshold_V if high is not None else None
    low_V = low.threshold_V if low is not None else None
    if high_V is not None and high_V <= supply.voltage_V:
        report.problem(
            ("safety", "link_overvoltage", "threshold_V"),
            f"must be above the supply's {short(supply.voltage_V)} (V)",
            "Raise it; the healthy link would trip it",
        )
    if low_V is not None and low_V >= supply.voltage_V:
        report.problem(
            ("safety", "link_undervoltage", "threshold_V"),
            f"must be below the supply's {short(supply.voltage_V)} (V)",
            "Lower it; the healthy link would trip it",
        )


@needs("safety", "machine")
def speed_limit(report, safety, machine):
    check = safety.check("overspeed")
    if check is not None and check.threshold_rpm is not None and check.threshold_rpm < machine.max_speed_rpm:
        report.problem(
            ("safety", "overspeed", "threshold_rpm"),
            f"must not be below machine.max_speed_rpm = {short(machine.max_speed_rpm)} (rpm)",
            "Raise it; the healthy drive would trip it",
        )


@needs("safety", "machine", "supply")
def hysteresis(report, safety, machine, supply):
    """Between gates off and active short the speeds must leave a band."""
    above, below = choice_rpm(safety, machine, supply)
    given = safety.safe_state.model_fields_set & {"active_short_above_rpm", "gates_off_below_rpm"}
    if given and not below < above:
        report.problem(
            ("safety", "safe_state", "gates_off_below_rpm"),
            f"{short(below)} rpm must be below active_short_above_rpm = {short(above)} (rpm), else the choice cannot hold",
            "Leave a band between both",
        )


@needs("safety")
def reactions(report, safety):
    """Reactions that contradict the check or each other."""
    checks = checks_of(safety)
    if not checks:
        report.problem(("safety",), "makes no check", 'Write [safety.overcurrent], or part = "safety/traction" in [safety]')
    sides = {}
    for name, check in checks.items():
        at = ("safety", name, "reaction")
        if name in HARDWARE and check.reaction in _SLOW:
            report.problem(
                at, "contradicts the check: hardware acts without the controller", 'Write "gates_off" or "safe_state"'
            )
        if name in _POSITION and check.reaction in ("derate", "ramp_down"):
            report.problem(
                at, "contradicts the check: the controller needs the angle that has just been found wrong",
                'Write "safe_state" or "gates_off"',
            )  # fmt: skip
        if check.reaction in _SIDES:
            sides.setdefault(check.reaction, at)
        if not check.latching and check.reaction in ("ramp_down",) and safety.ramp_down.then != "hold":
            report.problem(
                (*at[:2], "latching"),
                f'contradicts ramp_down.then = "{safety.ramp_down.then}": a drive in a safe state does not come back by itself',
                'Write latching = true, or ramp_down.then = "hold"',
            )
    chosen = f"active_short_{safety.safe_state.side}"
    if any(check.reaction == "safe_state" for check in checks.values()) and sides:
        sides.setdefault(chosen, ("safety", "safe_state", "side"))
    if len(sides) > 1:
        report.problem(
            sides["active_short_high"],
            "contradicts another check, which short-circuits with the low side: both together short the link",
            "Use one side throughout",
        )


CHECKS = (reactions, thresholds, without_sensor, derating, link_limits, speed_limit, hysteresis)
