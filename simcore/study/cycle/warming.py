"""The temperatures of a trip by the map: the scenario's thermal networks driven by the losses of every row.

Linear networks with the losses held over a row are exact: each eigenvalue is a recursion of one row to the next.  Of the
devices only the mean of all six switches is followed, with the diodes' losses put into the switches' network: what the losses
depend on is the mean, not a junction's ripple.  Checked: tests/study/test_cycle_warming.py.
"""

import numpy as np

from simcore.study.cycle.loss_table import Warmth
from simcore.study.cycle.steady import STEADY

_INVERTER = ("conduction", "switching")
DEVICES = 6


class Warming:
    """(Scenario, Temperatures of the loss table, seconds a row) => temperatures from losses."""

    def __init__(self, scenario, at, step_s):
        self.at = at
        self._inverter = _junctions(scenario.inverter.heat, step_s) if scenario.inverter.heat is not None else None
        self._machine = _machine(scenario.machine, step_s) if scenario.machine.heat is not None else None

    @property
    def there(self):
        return self._inverter is not None or self._machine is not None

    def temperatures(self, losses):
        """{stage: losses (n,) [W]} => {name: temperature at the beginning of each row (n,) [degC]}."""
        found = {}
        if self._inverter is not None:
            found |= self._inverter.after(np.array([sum(losses[name] for name in _INVERTER)]))
        if self._machine is not None:
            found |= self._machine.after(np.array([losses["copper"], losses["iron"]]))
        return found

    def warmth(self, temperatures):
        """{name: temperature (n,)} => Warmth over the table's runs."""
        warmer = lambda name, at: temperatures[name] - at if name in temperatures else 0.0  # noqa: E731
        at = self.at
        return Warmth(
            warmer("junction", at.junction_degC), warmer("winding", at.winding_degC), warmer("magnet", at.magnet_degC)
        )


class Network:
    """x' = A x + B u, x in K over a reference: outputs by name, from the state at the beginning of every row.

    start_K None: the state that the mean of the inputs holds.
    """

    def __init__(self, rates, inputs, outputs, start_K, reference_degC, step_s):
        values, vectors = np.linalg.eig(rates)
        self._values, self._vectors = values.real, vectors.real
        inverse = np.linalg.inv(self._vectors)
        self._decay = np.exp(self._values * step_s)
        self._held = (inverse @ inputs) * (np.expm1(self._values * step_s) / self._values)[:, None]
        self._start = None if start_K is None else inverse @ start_K
        self._inputs = inverse @ inputs
        self._outputs, self._reference_degC = outputs, reference_degC

    def after(self, inputs):
        """Inputs (inputs, n) [W] => {name: temperature (n,) [degC]}."""
        from scipy.signal import lfilter

        driven = self._held @ inputs
        start = self._start
        if start is None:
            start = -(self._inputs @ inputs.mean(axis=1)) / self._values
        modes = np.empty_like(driven)
        for k, decay in enumerate(self._decay):
            before, _ = lfilter([1.0], [1.0, -decay], np.concatenate([[start[k]], driven[k, :-1]]), zi=[0.0])
            modes[k] = before
        state = self._vectors @ modes
        return {name: self._reference_degC + row @ state for name, row in self._outputs.items()}


def _junctions(heat, step_s):
    """InverterHeat => Network of one switch of six alike and the shared path below; input: losses of all devices."""
    stages, sink = heat.switch.cauer, heat.sink_at_flow
    n, m = len(stages), len(sink)
    rates, inputs = np.zeros((n + m, n + m)), np.zeros((n + m, 1))
    capacities = [capacity for capacity, _ in stages] + [capacity for capacity, _ in sink]
    conductances = [1.0 / resistance for _, resistance in stages] + [1.0 / resistance for _, resistance in sink]
    for k in range(n + m):
        inward = DEVICES if k == n - 1 and m else 1  # six devices lead into the first node of the shared path
        rates[k, k] -= conductances[k] / capacities[k]
        if k + 1 < n + m:
            rates[k, k + 1] += conductances[k] / capacities[k]
            rates[k + 1, k] += inward * conductances[k] / capacities[k + 1]
            rates[k + 1, k + 1] -= inward * conductances[k] / capacities[k + 1]
    inputs[0, 0] = 1.0 / (DEVICES * capacities[0])
    outputs = {"junction": np.eye(n + m)[0]} | ({"sink": np.eye(n + m)[n]} if m else {})
    rise = heat.initial - heat.coolant_degC if isinstance(heat.initial, float) else 0.0
    start = np.zeros(n + m)
    start[:n] = rise * _share_below(stages)
    start = None if heat.initial == STEADY else start
    return Network(rates, inputs, outputs, start, heat.coolant_degC, step_s)


def _share_below(stages):
    """Part of a junction's steady rise that each node of its own network has."""
    resistance = np.array([one for _, one in stages])
    return np.cumsum(resistance[::-1])[::-1] / resistance.sum()


def _machine(machine, step_s):
    """Machine => Network of winding, iron and magnets; inputs: copper and iron losses."""
    heat = machine.heat
    winding, iron, magnet = heat.winding_J_per_K, heat.iron_J_per_K, heat.magnet_J_per_K
    to_iron, to_coolant = 1.0 / heat.winding_to_iron_K_per_W, 1.0 / heat.iron_to_coolant_K_per_W
    beside = 1.0 / heat.magnet_to_iron_K_per_W
    rates = np.array([
        [-to_iron / winding, to_iron / winding, 0.0],
        [to_iron / iron, -(to_iron + to_coolant + beside) / iron, beside / iron],
        [0.0, beside / magnet, -beside / magnet],
    ])  # fmt: skip
    share = heat.magnet_share
    inputs = np.array([[1.0 / winding, 0.0], [0.0, (1.0 - share) / iron], [0.0, share / magnet]])
    given = heat.initial == "given"
    begin = (machine.winding_temperature_degC, heat.coolant_degC, machine.magnet_temperature_degC)
    start = np.array([one - heat.coolant_degC if given else 0.0 for one in begin])
    start = None if heat.initial == STEADY else start
    outputs = dict(zip(("winding", "iron", "magnet"), np.eye(3), strict=True))
    return Network(rates, inputs, outputs, start, heat.coolant_degC, step_s)
