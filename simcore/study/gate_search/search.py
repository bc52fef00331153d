"""Search for a gate plan: the setting of least loss that keeps the limits, for every current, link voltage and junction.

Pointwise least is least over any cycle: a plan's switching loss is a sum over time of terms that each depend on the setting in
force alone.  It is also the coolest, as long as a junction takes up all that its leg loses; where diodes have chips of their
own another setting may be cooler, and near the junction limit the plan takes that one.  Overshoot V + L di/dt and dv/dt come
from the settings' own tables.  Checked: tests/study/test_gate_search.py, test_gate_search_regions.py.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from simcore.scenario import ScenarioError
from simcore.study.cycle.loss_table import held_temperatures
from simcore.study.gate_search.rules import rules_of, too_many
from simcore.study.gate_search.steady import junction_limit_degC, steady_junctions

MARGIN_SHARE = 0.1  # of the rated voltage, kept in hand by default
RIPPLE_SHARE = 0.05  # of max_current_A: an edge may switch so much more than the fundamental's crest
POINTS = 401
BANDS = 4  # of the link voltage, at most
LEAST_BAND = 0.02  # of the voltage: narrower ones are not worth a rule
HOT_K = 10.0  # below the junction limit the coolest setting takes over
COOLER_K = 0.5


@dataclass(frozen=True)
class Stretch:
    """Amplitudes from_A to to_A in which `use` is the setting.

    ends_by: what ends it: "overshoot", "dv/dt", "junction" (near its limit another one is cooler), "loss" (another one loses
    less) or "" at the end of the range.  use is None where no setting keeps overshoot and dv/dt, calmest is then the one that
    comes closest.  junction_A: amplitude from which on the junction limit does not let it be held for good, None: nowhere.
    """

    use: str | None
    from_A: float
    to_A: float
    ends_by: str
    calmest: str = ""
    junction_A: float | None = None


@dataclass(frozen=True)
class Region:
    """Link voltages above above_V (None: the lowest ones) up to to_V, junctions above above_degC (None: all, or the cooler
    ones), with their stretches over the amplitude."""

    above_V: float | None
    to_V: float
    above_degC: float | None
    stretches: tuple


@dataclass(frozen=True)
class PlanFound:
    """A plan: regions, tightest first; its default and rules as the scenario language has them; amplitudes_A (n,); at the
    highest link voltage by setting (n,): loss_J mean energy of a period's edges of one leg, peak_V and slope_V_per_s of the
    worst turn-off, steady_degC hottest junction for good ({} without heat); limits as used."""

    scenario: Any
    regions: tuple
    default: str
    rules: tuple
    amplitudes_A: Any
    loss_J: dict
    peak_V: dict
    slope_V_per_s: dict
    steady_degC: dict
    link_V: float
    most_V: float
    most_slope_V_per_s: float
    most_degC: float | None
    ripple_A: float

    @property
    def stretches(self):
        """Those at the highest link voltage, with cool junctions."""
        return next(one for one in self.regions if one.above_degC is None).stretches

    def reached_at(self, name):
        """A setting => amplitudes [A] at which it alone reaches overshoot, dv/dt and junction limit, None: not at all."""
        curves = (self.peak_V, self.slope_V_per_s, self.steady_degC)
        limits = (self.most_V, self.most_slope_V_per_s, self.most_degC)
        pairs = zip(curves, limits, strict=True)
        return tuple(_first_above(self.amplitudes_A, by[name], limit) if name in by else None for by, limit in pairs)


@dataclass(frozen=True)
class _Tables:
    """What every setting does over the amplitude at one link voltage: {setting: (n,)}."""

    loss: dict
    peak: dict
    slope: dict
    steady: dict


@dataclass(frozen=True)
class _Limits:
    most_V: float
    most_slope: float
    most_degC: float | None


def search_plan(scenario, *, margin_V=None, most_dv_dt_V_per_s=None, most_junction_degC=None, link_V=None, hysteresis_A=None,
                hot_K=HOT_K):  # fmt: skip
    """(Scenario with gate settings, limits; by default a tenth of the rating in hand, no bound on dv/dt, the junction at which
    torque is reduced, link voltages as the supply gives them; from hot_K below the junction limit on the coolest setting is
    taken) => PlanFound.  Raises ScenarioError."""
    highest, limits = _checked(scenario, margin_V, most_dv_dt_V_per_s, most_junction_degC, link_V)
    top = scenario.machine.max_current_A
    amplitudes, ripple = np.linspace(0.0, top, POINTS), RIPPLE_SHARE * top
    steady = steady_junctions(scenario, amplitudes, highest) if limits.most_degC is not None else {}
    lowest = highest if link_V is not None else lowest_link_V(scenario)
    for bands in range(min(BANDS, 1 + int((highest - lowest) / (LEAST_BAND * highest))), 0, -1):
        edges = np.linspace(lowest, highest, bands + 1)
        found = [(edges[k] if k else None, edges[k + 1], _tables(scenario, amplitudes, edges[k + 1], ripple, steady))
                 for k in reversed(range(bands))]  # fmt: skip
        regions = _regions(found, amplitudes, limits, hot_K)
        default, rules = rules_of(regions, top, hysteresis_A)
        if not too_many(rules):
            break
    else:
        rule = f"a plan of these settings needs {len(rules)} rules, more than there may be"
        raise ScenarioError([f"{scenario.path.name}: inverter.gate_settings: {rule}. Leave some of them out."])
    if all(one.use is None for region in regions for one in region.stretches):
        rule = f"no setting keeps {limits.most_V:g} V and {limits.most_slope:g} V/s, not even without current"
        raise ScenarioError(
            [f"{scenario.path.name}: inverter.gate_settings: {rule}. Loosen a limit or add a calmer setting."]
        )
    at_highest = found[0][2]
    return PlanFound(
        scenario, regions, default, rules, amplitudes, at_highest.loss, at_highest.peak, at_highest.slope, steady, highest,
        limits.most_V, limits.most_slope, limits.most_degC, ripple,
    )  # fmt: skip


def _checked(scenario, margin_V, most_slope, most_degC, link_V):
    """=> highest link voltage, _Limits.  Raises ScenarioError."""
    inverter, name = scenario.inverter, scenario.path.name
    if len(inverter.gate_settings) < 2:
        rule = f"a plan needs two or more, here are {len(inverter.gate_settings)}"
        raise ScenarioError([f"{name}: inverter.gate_settings: {rule}. Add one."])
    devices = inverter.devices
    if devices is None or devices.rated_voltage_V <= 0.0 or devices.stray_inductance_H <= 0.0:
        rule = "the overshoot needs rated_voltage_V and stray_inductance_H"
        raise ScenarioError([f"{name}: inverter.devices: {rule}. Give both."])
    link = highest_link_V(scenario) if link_V is None else link_V
    most_V = devices.rated_voltage_V - (MARGIN_SHARE * devices.rated_voltage_V if margin_V is None else margin_V)
    if link >= most_V:
        rule = f"the link alone ({link:g} V) leaves no room below {most_V:g} V"
        remedy = "Take a smaller margin or less voltage"
        raise ScenarioError([f"{name}: inverter.devices.rated_voltage_V: {rule}. {remedy}."])
    if most_degC is not None and inverter.heat is None:
        rule = "a junction limit needs the junctions' thermal networks"
        raise ScenarioError([f"{name}: inverter.heat: {rule}. Give it, or leave the junction limit out."])
    if most_degC is not None and most_degC <= inverter.heat.coolant_degC:
        rule = f"a junction limit of {most_degC:g} degC is not above the coolant's {inverter.heat.coolant_degC:g} (degC)"
        raise ScenarioError([f"{name}: inverter.heat.coolant_degC: {rule}. Raise the limit."])
    return link, _Limits(most_V, math.inf if most_slope is None else most_slope, junction_limit_degC(scenario, most_degC))


def highest_link_V(scenario):
    """(Scenario) => highest voltage its supply gives by itself [V]."""
    supply = scenario.supply
    if supply.kind == "battery":
        return max(supply.open_circuit_voltage_V.values)
    if supply.kind == "rectifier":
        return math.sqrt(2.0) * supply.line_voltage_V
    return supply.voltage_V


def lowest_link_V(scenario):
    """(Scenario) => voltage of an empty battery, else the supply's own [V]."""
    supply = scenario.supply
    return min(supply.open_circuit_voltage_V.values) if supply.kind == "battery" else highest_link_V(scenario)


def _tables(scenario, amplitudes, link_V, ripple_A, steady):
    devices, warm = scenario.inverter.devices, held_temperatures(scenario).junction_degC
    loss, peak, slope = {}, {}, {}
    for name, setting in scenario.inverter.gate_settings.items():
        loss[name] = _mean_energy(setting, amplitudes, link_V, warm)
        peak[name] = link_V + devices.stray_inductance_H * _worst(setting.di_dt_A_per_s, amplitudes + ripple_A)
        slope[name] = _worst(setting.dv_dt_V_per_s, amplitudes + ripple_A)
    return _Tables(loss, peak, slope, steady)


def _regions(bands, amplitudes, limits, hot_K):
    """([(above_V, to_V, _Tables), ...] from the highest down) => Regions; hot junctions apart where they take another one."""
    found = []
    for above_V, to_V, tables in bands:
        cool = _stretches(amplitudes, tables, limits, hot=False)
        if limits.most_degC is not None:
            hot = _stretches(amplitudes, tables, limits, hot=True)
            if [(one.use, one.from_A) for one in hot] != [(one.use, one.from_A) for one in cool]:
                found.append(Region(above_V, to_V, limits.most_degC - hot_K, tuple(hot)))
        found.append(Region(above_V, to_V, None, tuple(cool)))
    return tuple(found)


def _chosen(k, tables, limits, hot):
    """Setting of least loss at an amplitude; of hot junctions the coolest, where that is another one."""
    keeps = lambda name: tables.peak[name][k] <= limits.most_V and tables.slope[name][k] <= limits.most_slope  # noqa: E731
    allowed = [name for name in tables.loss if keeps(name)]
    if not allowed:
        return None
    least = min(allowed, key=lambda name: tables.loss[name][k])
    if hot:
        coolest = min(allowed, key=lambda name: tables.steady[name][k])
        if tables.steady[coolest][k] < tables.steady[least][k] - COOLER_K:
            return coolest
    return least


def _all_chosen(tables, limits, hot, count):
    chosen = [_chosen(k, tables, limits, hot) for k in range(count)]
    # Without current several may lose the same, nothing: then the one that does with little.
    return [chosen[1] or chosen[0], *chosen[1:]]


def _stretches(amplitudes, tables, limits, hot):
    chosen = _all_chosen(tables, limits, hot, len(amplitudes))
    cool = _all_chosen(tables, limits, False, len(amplitudes)) if hot else chosen
    found, begin = [], 0
    for k in range(1, len(chosen) + 1):
        if k < len(chosen) and chosen[k] == chosen[begin]:
            continue
        use, ends = chosen[begin], ""
        if k < len(chosen):
            ends = "junction" if hot and chosen[k] != cool[k] else "loss"
            if use is not None and tables.peak[use][k] > limits.most_V:
                ends = "overshoot"
            elif use is not None and tables.slope[use][k] > limits.most_slope:
                ends = "dv/dt"
        # A stretch begins where the one before it holds for the last time.
        from_A, to_A = float(amplitudes[begin - 1] if begin else 0.0), float(amplitudes[min(k, len(chosen)) - 1])
        calmest = min(tables.peak, key=lambda name: tables.peak[name][begin])
        hottest = _first_above(amplitudes, tables.steady[use], limits.most_degC) if use in tables.steady else None
        held = None if hottest is None or hottest > to_A else max(hottest, from_A)
        found.append(Stretch(use, from_A, to_A, ends, calmest, held))
        begin = k
    return found


def _first_above(amplitudes, values, limit):
    above = np.flatnonzero(values > limit)
    return float(amplitudes[above[0]]) if len(above) else None


def _mean_energy(setting, amplitudes, link_V, junction_degC):
    """(GateSetting, amplitudes (n,), link voltage, junctions) => mean energy of a carrier period's edges of one leg over a
    fundamental period [J]: (2/pi) integral of E(A sin x) for a quarter."""
    angle = (np.arange(64) + 0.5) * (0.5 * math.pi / 64)
    currents = amplitudes[:, None] * np.sin(angle)
    warmer = junction_degC - setting.reference_temperature_degC
    total = np.zeros(len(amplitudes))
    for table, exponent, per_K in (
        (setting.energy_on_J, setting.voltage_exponent, setting.temperature_coefficient_per_K),
        (setting.energy_off_J, setting.voltage_exponent, setting.temperature_coefficient_per_K),
        (setting.energy_recovery_J, setting.diode_voltage_exponent, setting.diode_temperature_coefficient_per_K),
    ):
        if table:
            scale = (link_V / setting.reference_voltage_V) ** exponent * max(1.0 + per_K * warmer, 0.0)
            total += np.mean(along(table, currents), axis=1) * scale
    return total


def along(table, x):
    """([[A, y], ...], currents) => y, linear, past the last point on its last slope (as the loop takes it)."""
    places, values = np.array(table, dtype=float).T
    y = np.interp(x, places, values)
    if len(places) > 1:
        y = y + np.maximum(x - places[-1], 0.0) * (values[-1] - values[-2]) / (places[-1] - places[-2])
    return np.maximum(y, 0.0)


def _worst(table, currents):
    """Greatest value at any current up to each of `currents` (n,); zeros for an empty table."""
    if not table:
        return np.zeros(len(currents))
    fine = np.linspace(0.0, currents[-1], 4 * POINTS)
    highest = np.maximum.accumulate(along(table, fine))
    return np.interp(currents, fine, highest)
