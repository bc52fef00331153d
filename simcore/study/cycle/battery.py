"""The battery of a trip by the map: voltage, current and charge of every row from the power that is taken.

Checked: tests/study/test_cycle_battery.py.
"""

import math

import numpy as np

from simcore.study.cycle.road import KWH

PASSES = 4  # of battery, temperatures and losses, which need each other


class Battery:
    """(supply of a scenario) => open-circuit voltage over charge, resistance and RC pair, or a plain source."""

    def __init__(self, supply):
        self.supply, self.cells = supply, supply.kind == "battery"
        self.resistance_ohm = supply.resistance_ohm
        self.pair_ohm = getattr(supply, "polarisation_resistance_ohm", 0.0)
        self.charge = supply.state_of_charge if self.cells else math.nan
        self.capacity_C = supply.capacity_Ah * 3600.0 if self.cells else math.inf
        curve = supply.open_circuit_voltage_V if self.cells else None
        self._curve = (np.array(curve.degC), np.array(curve.values)) if self.cells else None
        self.capacity_kWh = self._energy_kWh() if self.cells else 0.0

    def _energy_kWh(self):
        """Energy of a full battery, open-circuit voltage times charge [kWh]."""
        at = np.linspace(0.0, 1.0, 1001)
        return float(np.trapezoid(np.interp(at, *self._curve), at)) * self.capacity_C / KWH

    def open_V(self, charge):
        """charge, number or array => open-circuit voltage [V]."""
        if not self.cells:
            return self.supply.voltage_V + 0.0 * np.nan_to_num(charge)
        return np.interp(charge, *self._curve)

    def trip(self, drive, length_s):
        """(function: source voltage => (stages, power into the drive), row lengths) => BatteryTrip.

        The source is the open-circuit voltage less the RC pair's: what stands behind the resistance.
        """
        n = len(length_s)
        open_V = np.full(n, float(self.open_V(self.charge)))
        pair_V = np.zeros(n)
        for _ in range(PASSES):
            source = open_V - pair_V
            stages, power = drive(source)
            taken = power + self.supply.auxiliary_W
            # u = U - R i and P = u i
            link_V = 0.5 * (source + np.sqrt(np.maximum(source * source - 4.0 * self.resistance_ohm * taken, 0.0)))
            current = taken / link_V
            charge = self.charge - np.concatenate([[0.0], np.cumsum(current * length_s)]) / self.capacity_C
            open_V = self.open_V(0.5 * (charge[1:] + charge[:-1])) if self.cells else open_V
            pair_V, pair_W = self._pair(current, length_s)
        loss = self.resistance_ohm * current**2 + pair_W
        # The pair's store is neither lost nor drawn: what leaves the cells is their voltage times the current.
        return BatteryTrip(stages, power, link_V, charge, open_V * current, loss)

    def _pair(self, current, length_s):
        """(current of each row) => mean voltage of the RC pair [V], power lost in it [W]."""
        tau = getattr(self.supply, "polarisation_time_constant_s", 0.0)
        if not self.cells or tau <= 0.0:
            return np.zeros(len(current)), np.zeros(len(current))
        from scipy.signal import lfilter

        step, r = float(length_s[0]), self.supply.polarisation_resistance_ohm
        decay = math.exp(-step / tau)
        after = lfilter([1.0 - decay], [1.0, -decay], r * current)
        before = np.concatenate([[0.0], after[:-1]])
        mean = r * current + (before - r * current) * (1.0 - decay) * tau / step
        return mean, mean**2 / r if r > 0.0 else 0.0 * mean


class BatteryTrip:
    """Battery.trip's answer: stages of loss, power into the drive, link voltage, charge (n + 1,), power of the cells, loss."""

    def __init__(self, stages, drive_W, link_V, charge, power_W, loss_W):
        self.stages, self.drive_W, self.link_V = stages, drive_W, link_V
        self.charge, self.power_W, self.loss_W = charge, power_W, loss_W
