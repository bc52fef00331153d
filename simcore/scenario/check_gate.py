"""Gate settings, gate plans and legs of the inverter against each other."""

from simcore.scenario.checking import needs, short
from simcore.scenario.errors import did_you_mean, one_of, show
from simcore.scenario.explain import explain
from simcore.scenario.gate import MOST_SETTINGS
from simcore.scenario.legs import leg_errors

MOST_POINTS = 8  # of a device's curve over temperature or current
_CURVES = ("on_resistance_ohm", "threshold_V", "slope_ohm")


def _unknown(inverter, name):
    """Rule and remedy of a gate setting that is not there; None where it is."""
    known = inverter.gate_settings
    if name in known:
        return None
    listed = f"Known are {one_of(known)}" if known else "Remove it"
    return "the inverter has no such gate setting", did_you_mean(name, known, listed)


@needs("inverter")
def gate_names(report, inverter):
    """Every name of a gate setting leads to one."""
    named = [("gate_setting", inverter.gate_setting)] if inverter.gate_setting is not None else []
    if inverter.gate_plan is not None:
        named.append((("gate_plan", "default"), inverter.gate_plan.default))
        named += [(("gate_plan", "rules", k, "use"), rule.use) for k, rule in enumerate(inverter.gate_plan.rules)]
    for at, name in named:
        wrong = _unknown(inverter, name)
        if wrong is not None:
            report.problem(("inverter", *([at] if isinstance(at, str) else at)), *wrong)
    if len(inverter.gate_settings) > MOST_SETTINGS:
        rule = f"holds {len(inverter.gate_settings)} gate settings, more than {MOST_SETTINGS}"
        report.problem(("inverter", "gate_settings"), rule, "Leave out those that no plan uses")


@needs("inverter")
def settings_without_energies(report, inverter):
    """A setting that costs nothing is more often a slip of its name."""
    for name, setting in inverter.gate_settings.items():
        if not setting.has_energies:
            report.finding(("inverter", "gate_settings", name), "has no energies, so that switching costs nothing with it")


@needs("inverter")
def plan_and_heat(report, inverter):
    """Rules about junctions that never warm up."""
    plan = inverter.gate_plan
    if plan is None or inverter.heat is not None:
        return
    for k, rule in enumerate(plan.rules):
        if rule.above_junction_degC is not None or rule.below_junction_degC is not None:
            key = "above_junction_degC" if rule.above_junction_degC is not None else "below_junction_degC"
            at = inverter.devices.junction_degC if inverter.devices is not None else 25.0
            report.finding(
                ("inverter", "gate_plan", "rules", k, key),
                f"without inverter.heat the junctions stay at {short(at)} degC, so that this never changes",
            )


@needs("inverter")
def legs(report, inverter):
    """Three legs, each right with its own keys laid over those of all."""
    if inverter.devices is None or not inverter.devices.legs:
        return
    at = ("inverter", "devices", "legs")
    count = len(inverter.devices.legs)
    if count != 3:
        one = "one leg" if count == 1 else f"{count} legs"
        remedy = "Write [[inverter.devices.legs]] three times, empty where nothing differs"
        report.problem(at, f"tells {one}; there are three", remedy)
        return
    for leg, own in enumerate(inverter.devices.legs):
        here = (*at, leg)
        if "legs" in own or "kind" in own:
            key = "legs" if "legs" in own else "kind"
            report.problem((*here, key), "cannot differ from leg to leg", "Remove it")
            continue
        gates = own.get("gate_settings", {})
        if not isinstance(gates, dict):
            report.problem((*here, "gate_settings"), "must be a table", "Write gate_settings.NAME.energy_on_J = ...")
            continue
        for name, keys in gates.items():
            wrong = _unknown(inverter, name)
            if wrong is not None:
                report.problem((*here, "gate_settings", name), *wrong)
            elif not isinstance(keys, dict):
                report.problem((*here, "gate_settings", name), f"must be a table, not {show(keys)}", "Write its keys")
        explain(report, leg_errors(inverter, leg), here)


@needs("inverter")
def curves(report, inverter):
    """Curves of the devices are short enough to be read at every step."""
    devices = inverter.devices
    if devices is None:
        return
    found = {(key,): getattr(devices, key, None) for key in _CURVES}
    if devices.diode is not None:
        found |= {("diode", key): getattr(devices.diode, key) for key in _CURVES[1:]}
    counts = {at: len(curve.values) for at, curve in found.items() if curve is not None}
    counts[("on_resistance_over_current",)] = len(getattr(devices, "on_resistance_over_current", ()))
    for at, count in counts.items():
        if count > MOST_POINTS:
            rule = f"holds {count} points, more than {MOST_POINTS}"
            report.problem(("inverter", "devices", *at), rule, "Keep those between which the curve is straight")


CHECKS = (gate_names, settings_without_energies, plan_and_heat, legs, curves)
