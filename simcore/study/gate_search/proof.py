"""The plan that was found, driven over a cycle: by the map beside every single setting, and in the closed loop."""

from dataclasses import dataclass
from typing import NamedTuple

from simcore.scenario.reader import scenario_from
from simcore.study.gate_search.planned import PlannedTable

PLAN = "plan"


class Driven(NamedTuple):
    """One variant over the cycle: net energy [kWh], consumption, switching loss [kWh], hottest junction [degC] and when [s],
    None without heat."""

    name: str
    net_kWh: float
    kWh_per_100km: float
    switching_kWh: float
    junction_degC: float | None
    junction_at_s: float | None = None


class InTheLoop(NamedTuple):
    """The plan in the closed loop.  over: name of the cycle or its part; driven; what only the loop shows, None where it is not
    modelled: worst turn-off over a device [V], worst slope at the terminals [V/s]; ended: why the trip ended early, or ""."""

    over: str
    driven: Driven
    peak_V: float | None
    slope_V_per_s: float | None
    ended: str = ""


@dataclass(frozen=True)
class Proof:
    """cycle's name; variants: Driven of every setting and then of the plan, by the map; loop: InTheLoop or None."""

    cycle: str
    variants: tuple
    loop: InTheLoop | None = None

    @property
    def hottest(self):
        """The plan's Driven with the hotter junction, by the map or in the loop, which knows each device and its ripple."""
        driven = [self.variants[-1], *([self.loop.driven] if self.loop is not None else [])]
        return max(driven, key=lambda one: -1e9 if one.junction_degC is None else one.junction_degC)


def prove(found, cycle, *, stretch=None, progress=None):
    """(PlanFound of a vehicle's scenario, Cycle, the part of it that the plan drives in the closed loop, None: none) => Proof.

    progress(done, total) in parts of all work.
    """
    from simcore.study.cycle.trips import drive_cycle

    names = list(found.loss_J)
    share = _Shares(len(names), stretch is not None, progress)
    tables, variants = {}, []
    for k, name in enumerate(names):
        scenario = _with_setting(found.scenario, name)
        tables[name] = _table(scenario, cycle, share.of(k))
        variants.append(_driven(name, drive_cycle(scenario, cycle, "map", table=tables[name])))
    planned = with_plan(found)
    variants.append(_driven(PLAN, drive_cycle(planned, cycle, "map", table=PlannedTable(found, tables))))
    loop = None
    if stretch is not None:
        tell = share.of(len(names))
        result = drive_cycle(planned, stretch, "loop", None if tell is None else lambda _, *how: tell(*how))
        loop = _in_the_loop(stretch, result)
    return Proof(cycle.name, tuple(variants), loop)


class _Shares:
    """One bar for the tables of several settings and the trip in the loop, which takes as long as some of them."""

    LOOP = 3.0  # tables

    def __init__(self, tables, in_the_loop, progress):
        self.progress, self.total = progress, tables + (self.LOOP if in_the_loop else 0.0)
        self.tables = tables

    def of(self, part):
        """number of the part => progress(done, total) of that part, None without a bar."""
        if self.progress is None:
            return None
        width = self.LOOP if part == self.tables else 1.0
        return lambda done, total: self.progress(part + width * done / max(total, 1e-12), self.total)


def _table(scenario, cycle, progress):
    from simcore.study.cycle.map_trip import MapTrip

    return MapTrip(scenario, cycle).make_table(progress)


def _driven(name, result):
    figures = result.main
    junction = figures["temperatures_degC"].get("junction", {})
    return Driven(name, figures["net_kWh"], figures["kWh_per_100km"], figures["losses_kWh"].get("switching", 0.0),
                  junction.get("max"), junction.get("max_at_s"))  # fmt: skip


def _in_the_loop(stretch, result):
    course = result.course
    driven = _driven(PLAN, result)
    hottest = course.extremes.get("junction_degC")
    if result.scenario.inverter.heat is None:
        driven = driven._replace(junction_degC=None, junction_at_s=None)
    elif hottest is not None and driven.junction_degC is not None:
        driven = driven._replace(junction_degC=max(hottest, driven.junction_degC))
    if driven.junction_at_s is not None:
        driven = driven._replace(junction_at_s=stretch.begin_s + driven.junction_at_s)
    peak_V, slope = (course.extremes.get(name) for name in ("peak_voltage_V", "dv_dt_V_per_s"))
    return InTheLoop(stretch.name, driven, peak_V, slope, course.ended)


def _with_setting(scenario, name):
    from simcore.study.cycle.gates import with_gate

    return with_gate(scenario, name)


def with_plan(found):
    """(PlanFound) => the Scenario with this plan."""
    scenario = found.scenario
    plan = {"default": found.default, "rules": list(found.rules)}
    inverter = scenario.resolved["inverter"] | {"gate_plan": plan, "gate_setting": found.default}
    return scenario_from(scenario.resolved | {"inverter": inverter}, path=str(scenario.path))
