"""The losses of a drive with a gate plan, from the loss tables of its settings: each row with the setting of its rules."""

from dataclasses import dataclass

import numpy as np

from simcore.plant.temperature import resistance_ohm
from simcore.study.gate_search.rules import choose


@dataclass(frozen=True)
class PlannedTable:
    """(PlanFound, {setting: LossTable}) => what a trip by the map asks of a LossTable.  Hysteresis is left out.

    The amplitude follows from the copper loss, 1.5 R i^2, the link voltage from the source's behind its resistance.
    """

    found: object
    tables: dict

    @property
    def at(self):
        return self._any.at

    @property
    def speeds_rpm(self):
        return self._any.speeds_rpm

    @property
    def _any(self):
        return next(iter(self.tables.values()))

    def limits_at(self, source_V):
        return self._any.limits_at(source_V)

    def losses_at(self, source_V, speed_rpm, torque_Nm, warmth=None):
        """Arrays (n,) and a Warmth => {stage: losses (n,) [W]}."""
        losses = {name: table.losses_at(source_V, speed_rpm, torque_Nm, warmth) for name, table in self.tables.items()}
        first = next(iter(losses.values()))
        used = self.settings_at(source_V, speed_rpm, torque_Nm, warmth, first)
        inside = [used == name for name in losses]
        return {stage: np.select(inside, [one[stage] for one in losses.values()]) for stage in first}

    def settings_at(self, source_V, speed_rpm, torque_Nm, warmth, losses):
        """=> names of the settings in force (n,)."""
        scenario = self.found.scenario
        cold = self._any.losses_at(source_V, speed_rpm, torque_Nm)["copper"]
        at = self.at
        held = scenario.machine.model_copy(update={"winding_temperature_degC": at.winding_degC})
        amplitude_A = np.sqrt(cold / (1.5 * resistance_ohm(held)))
        taken_W = torque_Nm * speed_rpm * np.pi / 30.0 + sum(losses.values())
        link_V = source_V - scenario.supply.resistance_ohm * taken_W / source_V
        junction_degC = at.junction_degC + (0.0 if warmth is None else warmth.junction_K)
        return choose(self.found.rules, self.found.default, amplitude_A, link_V, junction_degC)
