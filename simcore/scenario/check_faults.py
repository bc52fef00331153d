"""[[fault]] against the run and the bench: when it acts, and whether what breaks is there at all."""

from simcore.scenario.checking import needs, short, tick_of
from simcore.scenario.errors import one_of

_WITH_ARTICLE = {"resolver": "a resolver", "encoder": "an encoder"}
MOST_ONSETS = 100_000
MOST_DELAY_UPDATES = 8


def update_s(inverter):
    """Time between two control updates [s]."""
    return tick_of(inverter) * (1 if inverter.update == "double" else 2)


@needs("fault", "run", "inverter")
def times(report, fault, run, inverter):
    """Inside the run, and long enough that an update sees them."""
    least = update_s(inverter)
    for k, one in fault.items():
        if one.at_s >= run.duration_s:
            rule = f"lies outside the run, which ends at {short(run.duration_s)} (s)"
            report.problem(("fault", k, "at_s"), rule, "Move it into the run, or raise run.duration_s")
            continue
        begin, end = one.span_s
        lengths = [("until_s", end - begin)] if end < float("inf") else []
        on_s = getattr(one, "on_s", None)
        if on_s is not None:
            lengths += [("on_s", on_s), ("off_s", one.off_s)]
        for key, length in lengths:
            if length < least * (1.0 - 1e-9):
                rule = f"gives {length:.3g} s, shorter than a control update, {least:.3g} s (s)"
                report.problem(("fault", k, key), rule, "Faults begin and end at updates; lengthen it")
        if on_s is not None and (min(end, run.duration_s) - begin) / (on_s + one.off_s) > MOST_ONSETS:
            rule = f"makes the fault come more than {MOST_ONSETS} times (s)"
            report.problem(("fault", k, "on_s"), rule, "Lengthen on_s and off_s, or give until_s")


@needs("fault", "sensors")
def current_sensors(report, fault, sensors):
    current = sensors.current
    for k, one in fault.items():
        if not one.kind.startswith("current_sensor_"):
            continue
        if one.phase not in current.phases:
            rule = f'there is no sensor on phase {one.phase}: sensors.current.phases = "{current.phases}"'
            report.problem(("fault", k, "phase"), rule, f'Choose {one_of(current.phases)}, or set phases = "abc"')
        if getattr(one, "reads", "zero") != "zero" and current.range_A == 0.0:
            rule = "needs a range: the rail of a sensor without one is nowhere"
            report.problem(("fault", k, "reads"), rule, 'Set sensors.current.range_A, or reads = "zero"')
        saturation = one.kind == "current_sensor_saturated" and 0.0 < current.range_A <= one.value_A
        if saturation:
            rule = f"is not below sensors.current.range_A = {short(current.range_A)}, where the sensor clips anyway (A)"
            report.problem(("fault", k, "value_A"), rule, "Lower it")


@needs("fault", "sensors")
def position_sensor(report, fault, sensors):
    has = sensors.position.kind
    for k, one in fault.items():
        wanted = one.kind.split("_")[0]
        if wanted in ("resolver", "encoder") and wanted != has:
            rule = f"needs {_WITH_ARTICLE[wanted]}, but sensors.position.kind is \"{has}\""
            report.problem(("fault", k, "kind"), rule, f'Set sensors.position.kind = "{wanted}", or remove the fault')
        if one.kind == "encoder_counts_lost" and one.counts == 0:
            report.problem(("fault", k, "counts"), "loses nothing", "Give a number other than 0")


@needs("fault", "load")
def shaft(report, fault, load):
    """A rig turns as it likes; what is locked stays so."""
    allowed = {
        "shaft_locked": ("free", "two_mass", "vehicle"),
        "load_torque_shock": ("free", "two_mass", "vehicle"),
        "shaft_broken": ("two_mass",),
    }
    for k, one in fault.items():
        kinds = allowed.get(one.kind)
        if kinds and load.kind not in kinds:
            why = {"rig": "a rig imposes the speed", "locked": "a locked shaft stands anyway"}.get(load.kind)
            rule = f'has no effect on load.kind "{load.kind}": {why or "there is no shaft between two masses"}'
            report.problem(("fault", k, "kind"), rule, f"Set load.kind = {one_of(kinds)}")


@needs("fault", "supply", "inverter", "run")
def supply(report, fault, supply, inverter, run):
    stiff = supply.resistance_ohm == 0.0 and supply.inductance_H == 0.0
    for k, one in fault.items():
        at = ("fault", k, "kind")
        if one.kind == "supply_dip" and supply.kind == "battery":
            remedy = 'Set supply.kind = "source", or use contactor_open'
            report.problem(at, "a battery's voltage follows from its charge", remedy)
        if one.kind in ("contactor_open", "link_short") and stiff:
            rule = "needs a link that can move, but supply.resistance_ohm and inductance_H are both zero"
            report.problem(at, rule, "Give supply.resistance_ohm and inverter.link_capacitance_F (ohm, F)")
        if one.kind == "link_short" and not stiff:
            step, c = tick_of(inverter) / run.substeps, inverter.link_capacitance_F
            if one.resistance_ohm * c < step:
                ratio = step / max(one.resistance_ohm * c, 1e-300)
                rule = f"empties the link too fast for the solver: step/(R C) = {ratio:.3g}, above 1 (ohm)"
                least = f"{1.01 * step / c:.3g} ohm" if c > 0.0 else "a link capacitor"
                remedy = f"Give {least} or more, or raise run.substeps"
                report.problem(("fault", k, "resistance_ohm"), rule, remedy)


@needs("fault", "commands", "controller", "inverter")
def controller(report, fault, commands, controller, inverter):
    late = controller.delay_updates
    for k, one in fault.items():
        if one.kind in ("command_lost", "command_implausible") and getattr(commands, one.command) is None:
            given = [key for key in type(commands).model_fields if getattr(commands, key) is not None]
            remedy = f"Choose {one_of(given)}" if given else "Add it to [commands]"
            report.problem(("fault", k, "command"), "the scenario gives no such command", remedy)
        if one.kind == "controller_late":
            late += one.updates
            if late > MOST_DELAY_UPDATES:
                rule = f"makes {late} updates with controller.delay_updates and other faults, more than {MOST_DELAY_UPDATES}"
                report.problem(("fault", k, "updates"), rule, "Lower it")
        if one.kind == "controller_frozen" and one.at_s < update_s(inverter):
            rule = "begins before the controller's first command, so that there is none to hold (s)"
            report.problem(("fault", k, "at_s"), rule, f"Begin at {update_s(inverter):.3g} s or later")


@needs("fault", "machine")
def magnets(report, fault, machine):
    for k, one in fault.items():
        if one.kind == "magnet_demagnetised" and machine.kind == "constants" and machine.magnet_flux_Wb == 0.0:
            remedy = "Give machine.magnet_flux_Wb, or remove the fault"
            report.problem(("fault", k, "kind"), "the machine has no magnets", remedy)


@needs("fault", "inverter", "machine")
def coolant(report, fault, inverter, machine):
    """Only what is modelled can be lost."""
    for k, one in fault.items():
        if one.kind != "coolant_lost":
            continue
        if one.part == "machine" and machine.heat is None:
            report.problem(("fault", k, "part"), "the machine's heat is not modelled", "Add [machine.heat]")
        elif one.part == "inverter" and (inverter.heat is None or inverter.heat.sink is None):
            rule = "between devices and coolant there is no sink that could warm up"
            report.problem(("fault", k, "part"), rule, "Add [inverter.heat] with sink = { cauer = [[J/K, K/W], ...] }")


@needs("fault")
def contradictions(report, fault):
    """What cannot be at the same time."""
    for k, one in fault.items():
        for j, other in fault.items():
            if j < k and _exclude(one, other) and _overlap(one, other):
                rule = f"contradicts fault.{j}, {other.title}, which acts at the same time"
                report.problem(("fault", k, "kind"), rule, "Remove one, or separate their times")


_TOLD_TWICE = {
    "switch_stuck_open": ("switch_stuck_closed", "shoot_through"),
    "switch_stuck_closed": ("switch_stuck_open",),
    "shoot_through": ("switch_stuck_open",),
    "current_sensor_stuck": ("current_sensor_stuck", "current_sensor_lost"),
    "current_sensor_lost": ("current_sensor_stuck", "current_sensor_lost"),
    "command_lost": ("command_lost", "command_implausible"),
    "command_implausible": ("command_lost", "command_implausible"),
    "temperature_sensor_lost": ("temperature_sensor_lost",),
    "link_voltage_sensor_stuck": ("link_voltage_sensor_stuck", "link_voltage_sensor_lost"),
    "link_voltage_sensor_lost": ("link_voltage_sensor_stuck", "link_voltage_sensor_lost"),
}
_PLACES = ("phase", "command", "sensor", "leg", "side")


def _exclude(one, other):
    shared = [key for key in _PLACES if hasattr(one, key) and hasattr(other, key)]
    same = all(getattr(one, key) == getattr(other, key) for key in shared)
    return same and other.kind in _TOLD_TWICE.get(one.kind, ())


def _overlap(one, other):
    (a, b), (c, d) = one.span_s, other.span_s
    return a < d and c < b


CHECKS = (times, current_sensors, position_sensor, shaft, supply, controller, magnets, coolant, contradictions)
