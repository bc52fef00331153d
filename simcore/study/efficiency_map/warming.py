"""How long the run of a heated point takes, and the temperatures that reduce its torque."""

import math
from dataclasses import dataclass

MOST_STEPS, MOST_DERATED = 6, 10
WINDOW_S = 0.03
FILTERS = 6.0  # time constants of the derating's lag that a changed temperature is waited for
SETTLED = 0.4  # of the settling time that the first losses wait for; temperatures bring the rest
_LAG_S = 0.05  # the built-in controller's own


@dataclass(frozen=True)
class Warming:
    """How a heated point runs.  settle_s: before the first window of losses; window_s: of losses; lag_s: of the derating;
    after_s, measure_s: at the end, once temperatures have met; derates_degC, highest_degC: from which of junction, winding and
    magnet torque is reduced, and at which none is left, infinite where nothing is; to_the_end: also where the torque asked for
    is too much for the temperatures."""

    settle_s: float
    window_s: float
    lag_s: float
    after_s: float
    measure_s: float
    derates_degC: tuple
    highest_degC: tuple
    to_the_end: bool = False

    @property
    def longest_s(self):
        """Length of the run where temperatures are slow to meet."""
        steps = (MOST_STEPS + MOST_DERATED) * (FILTERS * self.lag_s + 1.5 * self.window_s)
        return self.settle_s + steps + self.after_s + 2.0 * self.measure_s


def warming(scenario, window, to_the_end):
    """(Scenario, Window of the point, see Warming) => Warming."""
    lag_s = scenario.controller.tuning.get("derating_filter_s", _LAG_S)
    lag_s = float(lag_s) if isinstance(lag_s, (int, float)) else _LAG_S
    turns = max(1, math.ceil(WINDOW_S / window.length_s - 1e-9))
    limits = list(_limits(scenario))
    return Warming(
        window.slew_s + SETTLED * window.settle_s, turns * window.length_s, max(lag_s, 0.02), window.tau_s,
        max(2, turns) * window.length_s, *(tuple(limit[k] for limit in limits) for k in (0, 1)), to_the_end,
    )  # fmt: skip


def _limits(scenario):
    """(from, highest) [degC] of junction, winding and magnet; what a user's own controller makes of them is not known."""
    inverter, never = scenario.inverter, (math.inf, math.inf)
    heat = scenario.machine.heat if scenario.controller.built_in else None
    modelled = inverter.heat is not None and inverter.devices is not None and scenario.controller.built_in
    yield (inverter.derate_from_degC, inverter.devices.max_junction_degC) if modelled else never
    yield (heat.derate_from_winding_degC, heat.max_winding_degC) if heat is not None else never
    yield (heat.derate_from_magnet_degC, heat.max_magnet_degC) if heat is not None else never
