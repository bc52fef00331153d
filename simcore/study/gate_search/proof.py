"""The plan that was found, driven: over a cycle beside every single setting, with what each run reached."""

from typing import NamedTuple


class Driven(NamedTuple):
    """One variant over the cycle: net energy [kWh], consumption, switching loss [kWh], hottest junction [degC, None without
    heat], worst turn-off by the tables at the highest amplitude driven [V], whether it keeps the limits there."""

    name: str
    net_kWh: float
    kWh_per_100km: float
    switching_kWh: float
    junction_degC: float | None


def drive_variants(found, cycle, mode="map", progress=None):
    """(PlanFound of a vehicle's scenario, Cycle) => Driven of every setting, then of the plan ("plan")."""
    from simcore.study.cycle.trips import drive_cycle

    variants = [(name, with_setting(found.scenario, name)) for name in found.loss_J]
    variants.append(("plan", with_plan(found)))
    told = []
    for number, (name, scenario) in enumerate(variants):
        tell = None if progress is None else _part(progress, number, len(variants))
        main = drive_cycle(scenario, cycle, mode, tell).main
        hottest = main["temperatures_degC"].get("junction", {}).get("max")
        told.append(Driven(name, main["net_kWh"], main["kWh_per_100km"], main["losses_kWh"].get("switching", 0.0), hottest))
    return told


def _part(progress, number, count):
    return lambda what, done, total: progress(number * total + done, count * total)


def with_plan(found):
    """(PlanFound) => the Scenario with this plan."""
    plan = {"default": found.default, "rules": list(found.rules)}
    return _changed(found.scenario, {"gate_plan": plan, "gate_setting": found.default})


def with_setting(scenario, name):
    """(Scenario, gate setting) => the Scenario with this one alone."""
    return _changed(scenario, {"gate_setting": name, "gate_plan": None})


def _changed(scenario, change):
    from simcore.scenario.reader import scenario_from

    inverter = {key: value for key, value in scenario.resolved["inverter"].items() if key not in change}
    inverter |= {key: value for key, value in change.items() if value is not None}
    return scenario_from(scenario.resolved | {"inverter": inverter}, path=str(scenario.path))
