"""What a comparison holds: two variants by name, rows of numbers, and for a map the differences over torque and speed."""

import math
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np


class Row(NamedTuple):
    """One number of both variants: what, its unit, first, second; less: second less first."""

    what: str
    unit: str
    first: float
    second: float

    @property
    def less(self):
        return self.second - self.first


@dataclass(frozen=True)
class Comparison:
    """scenario: the first one; names of both; by: "map", "cycle" or "run"; rows: Rows; told: sentences; grids: {column: (first,
    second)} arrays (speeds, torques) of a map, with speeds_rpm and torques_Nm; parts: what both studies gave."""

    scenario: Any
    names: tuple
    by: str
    rows: tuple
    told: tuple = ()
    speeds_rpm: Any = ()
    torques_Nm: Any = ()
    grids: dict = field(default_factory=dict)
    parts: tuple = ()
    worth: dict | None = None

    def row(self, what):
        """(its words) => Row.  Raises KeyError."""
        for row in self.rows:
            if row.what == what:
                return row
        raise KeyError(what)

    def difference(self, name):
        """(column) => second less first (speeds, torques), NaN where one of both has none."""
        first, second = self.grids[name]
        return second - first


def greatest(values):
    """(array) => its greatest finite number, NaN where there is none."""
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    return float(known.max()) if len(known) else math.nan


def rated_V(scenario):
    """(Scenario) => blocking voltage of its devices, NaN where the part gives none."""
    devices = scenario.inverter.devices
    return devices.rated_voltage_V if devices is not None and devices.rated_voltage_V > 0.0 else math.nan
