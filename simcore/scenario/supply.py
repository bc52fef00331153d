"""[supply]: what feeds the link."""

import math
from typing import Annotated, Literal

from pydantic import Field

from simcore.scenario.fields import Table, quantity, word
from simcore.scenario.profile import CurveField


class Chopper(Table):
    """A brake resistor across the link, switched on above one voltage and off below another."""

    resistance_ohm: float = quantity("ohm", "brake resistor", gt=0, le=1e5)
    on_above_V: float = quantity("V", "link voltage that switches it on", gt=0, le=1e5)
    off_below_V: float = quantity("V", "link voltage that switches it off; below on_above_V", gt=0, le=1e5)


class SupplyCommon(Table):
    """Keys of every supply kind."""

    name: str = word("name for tables and figures", "")
    inductance_H: float = quantity("H", "inductance between source and link", 0.0, ge=0, le=10)
    chopper: Chopper | None = word("brake chopper; absent: none", None)
    auxiliary_W: float = quantity(
        "W", "constant power that others draw from the link, above a quarter of the supply's voltage", 0.0, ge=0, le=1e7
    )


class SourceSupply(SupplyCommon):
    """A voltage source behind resistance and inductance. Both zero: the link stands stiff at the source's voltage."""

    kind: Literal["source"] = word("a constant voltage behind resistance and inductance", "source")
    voltage_V: float = quantity("V", "source voltage", gt=0, le=1e5)
    resistance_ohm: float = quantity("ohm", "resistance between source and link", 0.0, ge=0, le=1e4)


class BatterySupply(SupplyCommon):
    """Open-circuit voltage over charge behind a resistance and one RC pair."""

    kind: Literal["battery"] = word("open-circuit voltage over charge, resistance, one RC pair")
    open_circuit_voltage_V: CurveField = quantity("V", "open-circuit voltage over state of charge, [[0..1, V], ...]")
    resistance_ohm: float = quantity("ohm", "resistance that acts at once", gt=0, le=1e4)
    polarisation_resistance_ohm: float = quantity("ohm", "resistance of the RC pair", 0.0, ge=0, le=1e4)
    polarisation_time_constant_s: float = quantity("s", "time constant of the RC pair", 0.0, ge=0, le=1e6)
    capacity_Ah: float = quantity("Ah", "capacity", gt=0, le=1e6)
    state_of_charge: float = quantity("", "state of charge at the start, 0..1", 1.0, ge=0, le=1)

    @property
    def voltage_V(self):
        """Open-circuit voltage at the start [V]."""
        return self.open_circuit_voltage_V.at(self.state_of_charge)


class RectifierSupply(SupplyCommon):
    """Three-phase mains behind a diode bridge: no current back. Overlap of the commutating diodes is left out."""

    kind: Literal["rectifier"] = word("three-phase diode rectifier; no current back into the mains")
    line_voltage_V: float = quantity("V", "mains voltage, line-line rms", gt=0, le=1e5)
    frequency_Hz: float = quantity("Hz", "mains frequency; 0: without ripple", 50.0, ge=0, le=1000)
    resistance_ohm: float = quantity("ohm", "resistance between bridge and link", gt=0, le=1e4)

    @property
    def voltage_V(self):
        """Mean voltage of the six-pulse bridge, 3 sqrt(2)/pi of the line voltage [V]."""
        return 3.0 * math.sqrt(2.0) / math.pi * self.line_voltage_V


SupplyModel = Annotated[SourceSupply | BatterySupply | RectifierSupply, Field(discriminator="kind")]
