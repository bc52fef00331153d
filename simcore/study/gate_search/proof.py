"""The plan that was found, driven over a cycle beside every single setting."""

from typing import NamedTuple

from simcore.scenario.reader import scenario_from


class Driven(NamedTuple):
    """One variant over the cycle: net energy [kWh], consumption, switching loss [kWh], hottest junction [degC, None without
    heat]."""

    name: str
    net_kWh: float
    kWh_per_100km: float
    switching_kWh: float
    junction_degC: float | None


def drive_variants(found, cycle, mode="map", progress=None):
    """(PlanFound of a vehicle's scenario, Cycle) => Driven of every setting, then of the plan ("plan")."""
    from simcore.study.cycle.gates import PLAN, comparable, drive_gates
    from simcore.study.cycle.trips import drive_cycle

    count = len(found.loss_J) + 1
    begun = []

    def tell(what, done, total):
        if what not in begun:
            begun.append(what)
        progress((len(begun) - 1) * total + done, max(count, len(begun)) * total)

    told = None if progress is None else tell
    planned = drive_cycle(with_plan(found), cycle, mode, told)
    figures = {name: one for name, (_, one) in comparable(drive_gates(planned, list(found.loss_J), mode, told), mode).items()}
    return [_driven(name, figures[name]) for name in (*found.loss_J, PLAN)]


def _driven(name, figures):
    hottest = figures["temperatures_degC"].get("junction", {}).get("max")
    return Driven(name, figures["net_kWh"], figures["kWh_per_100km"], figures["losses_kWh"].get("switching", 0.0), hottest)


def with_plan(found):
    """(PlanFound) => the Scenario with this plan."""
    scenario = found.scenario
    plan = {"default": found.default, "rules": list(found.rules)}
    inverter = scenario.resolved["inverter"] | {"gate_plan": plan, "gate_setting": found.default}
    return scenario_from(scenario.resolved | {"inverter": inverter}, path=str(scenario.path))
