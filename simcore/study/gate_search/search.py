"""Search for a gate plan: at every current the setting of least loss among those that keep the limits.

Pointwise least is least over any cycle: a plan's switching loss is a sum over time of terms that each depend on the setting in
force alone.  Overshoot V + L di/dt and dv/dt come from the settings' own tables.  Checked: tests/study/test_gate_search.py.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from simcore.scenario import ScenarioError

MARGIN_SHARE = 0.1  # of the rated voltage, kept in hand by default
RIPPLE_SHARE = 0.05  # of max_current_A: an edge may switch so much more than the fundamental's crest
POINTS = 401
LEAST_STEP_A = 1.0


@dataclass(frozen=True)
class Stretch:
    """Amplitudes from_A to to_A in which `use` is the setting; ends_by: what ends it: "overshoot", "dv/dt", "loss" (another
    setting loses less from there on) or "" at the end of the range.  use is None where no setting keeps the limits."""

    use: str | None
    from_A: float
    to_A: float
    ends_by: str


@dataclass(frozen=True)
class PlanFound:
    """A plan: stretches over the amplitude, its rules as the scenario language has them; amplitudes_A (n,); loss_J, peak_V and
    slope_V_per_s per setting (n,): mean energy of a period's edges of one leg, worst turn-off; limits as used."""

    scenario: Any
    stretches: tuple
    default: str
    rules: tuple
    amplitudes_A: Any
    loss_J: dict
    peak_V: dict
    slope_V_per_s: dict
    link_V: float
    most_V: float
    most_slope_V_per_s: float
    ripple_A: float


def search_plan(scenario, *, margin_V=None, most_dv_dt_V_per_s=None, link_V=None, hysteresis_A=None):
    """(Scenario with gate settings, limits; by default a tenth of the rating in hand, no bound on dv/dt, the highest link
    voltage that the supply gives) => PlanFound.  Raises ScenarioError."""
    inverter, top = scenario.inverter, scenario.machine.max_current_A
    if len(inverter.gate_settings) < 2:
        rule = f"a plan needs two or more, here are {len(inverter.gate_settings)}"
        raise ScenarioError([f"{scenario.path.name}: inverter.gate_settings: {rule}. Add one."])
    devices = inverter.devices
    if devices is None or devices.rated_voltage_V <= 0.0 or devices.stray_inductance_H <= 0.0:
        rule = "the overshoot needs rated_voltage_V and stray_inductance_H"
        raise ScenarioError([f"{scenario.path.name}: inverter.devices: {rule}. Give both."])
    link = highest_link_V(scenario) if link_V is None else link_V
    most_V = devices.rated_voltage_V - (MARGIN_SHARE * devices.rated_voltage_V if margin_V is None else margin_V)
    most_slope = math.inf if most_dv_dt_V_per_s is None else most_dv_dt_V_per_s
    if link >= most_V:
        rule = f"the link alone ({link:g} V) leaves no room below {most_V:g} V"
        remedy = "Take a smaller margin or less voltage"
        raise ScenarioError([f"{scenario.path.name}: inverter.devices.rated_voltage_V: {rule}. {remedy}."])
    ripple = RIPPLE_SHARE * top
    amplitudes = np.linspace(0.0, top, POINTS)
    loss, peak, slope = {}, {}, {}
    for name, setting in inverter.gate_settings.items():
        loss[name] = _mean_energy(setting, amplitudes, link)
        peak[name] = link + devices.stray_inductance_H * _worst(setting.di_dt_A_per_s, amplitudes + ripple)
        slope[name] = _worst(setting.dv_dt_V_per_s, amplitudes + ripple)
    chosen = [_best(k, loss, peak, slope, most_V, most_slope) for k in range(POINTS)]
    stretches = _stretches(chosen, amplitudes, peak, slope, most_V, most_slope)
    usable = [one for one in stretches if one.use is not None]
    if not usable:
        rule = f"no setting keeps {most_V:g} V and {most_slope:g} V/s, not even without current"
        raise ScenarioError([f"{scenario.path.name}: inverter.gate_settings: {rule}. Loosen a limit or add a calmer setting."])
    hysteresis = max(LEAST_STEP_A, 0.02 * top) if hysteresis_A is None else hysteresis_A
    rules = tuple(
        {"use": one.use, "above_current_A": round(one.from_A, 3), "hysteresis_A": round(min(hysteresis, 0.5 * one.from_A), 3)}
        for one in usable[:0:-1]
    )
    return PlanFound(
        scenario, tuple(stretches), usable[0].use, rules, amplitudes, loss, peak, slope, link, most_V, most_slope, ripple
    )


def highest_link_V(scenario):
    """(Scenario) => highest voltage its supply gives by itself [V]."""
    supply = scenario.supply
    if supply.kind == "battery":
        return max(supply.open_circuit_voltage_V.values)
    if supply.kind == "rectifier":
        return math.sqrt(2.0) * supply.line_voltage_V
    return supply.voltage_V


def _best(k, loss, peak, slope, most_V, most_slope):
    allowed = [name for name in loss if peak[name][k] <= most_V and slope[name][k] <= most_slope]
    return min(allowed, key=lambda name: loss[name][k]) if allowed else None


def _stretches(chosen, amplitudes, peak, slope, most_V, most_slope):
    found, begin = [], 0
    for k in range(1, len(chosen) + 1):
        if k < len(chosen) and chosen[k] == chosen[begin]:
            continue
        use, ends = chosen[begin], ""
        if k < len(chosen):
            ends = "loss"
            if use is not None and peak[use][k] > most_V:
                ends = "overshoot"
            elif use is not None and slope[use][k] > most_slope:
                ends = "dv/dt"
        # A stretch begins where the one before it holds for the last time.
        from_A = amplitudes[begin - 1] if begin else 0.0
        found.append(Stretch(use, float(from_A), float(amplitudes[min(k, len(chosen)) - 1]), ends))
        begin = k
    return found


def _mean_energy(setting, amplitudes, link_V):
    """(GateSetting, amplitudes (n,), link voltage) => mean energy of a carrier period's edges of one leg over a fundamental
    period [J], at the setting's reference temperature: (2/pi) integral of E(A sin x) for a quarter."""
    angle = (np.arange(64) + 0.5) * (0.5 * math.pi / 64)
    currents = amplitudes[:, None] * np.sin(angle)
    total = np.zeros(len(amplitudes))
    for table, exponent in (
        (setting.energy_on_J, setting.voltage_exponent), (setting.energy_off_J, setting.voltage_exponent),
        (setting.energy_recovery_J, setting.diode_voltage_exponent),
    ):  # fmt: skip
        if table:
            total += np.mean(along(table, currents), axis=1) * (link_V / setting.reference_voltage_V) ** exponent
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
