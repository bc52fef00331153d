"""Gate settings of an inverter, and the plan that chooses among them while running."""

from typing import Annotated

from pydantic import Field, model_validator

from simcore.scenario.current_tables import EnergyTable, SlopeTable
from simcore.scenario.fields import Rows, Table, quantity, refuse, word

MOST_RULES = 8
MOST_SETTINGS = 8


def _as(name, unit, meaning, **bounds):
    """A key that is by default what another key of the table says."""
    return Field(
        default_factory=lambda seen: seen[name],
        description=f"{meaning}; by default {name}",
        json_schema_extra={"unit": unit},
        **bounds,
    )


class GateSetting(Table):
    """Switching behaviour with one pair of gate resistors. Energies of one transition of one switch or diode."""

    gate_on_ohm: float = quantity("ohm", "turn-on gate resistor", 0.0, ge=0, le=1e4)
    gate_off_ohm: float = quantity("ohm", "turn-off gate resistor", 0.0, ge=0, le=1e4)
    reference_voltage_V: float = quantity("V", "link voltage of the tables", 0.0, ge=0, le=1e5)
    reference_temperature_degC: float = quantity("degC", "junction temperature of the tables", 25.0, ge=-60, le=300)
    voltage_exponent: float = quantity("", "energies grow with (voltage / reference) to this power", 1.0, ge=0, le=5)
    temperature_coefficient_per_K: float = quantity("per_K", "relative change of energies a kelvin", 0.0, ge=-0.1, le=0.1)
    diode_voltage_exponent: float = _as("voltage_exponent", "", "the same of the recovery energy", ge=0, le=5)
    diode_temperature_coefficient_per_K: float = _as(
        "temperature_coefficient_per_K", "per_K", "the same of the recovery energy", ge=-0.1, le=0.1
    )
    energy_on_J: EnergyTable = quantity("J", "turn-on energy [[A, J], ...], from 0 A on", ())
    energy_off_J: EnergyTable = quantity("J", "turn-off energy [[A, J], ...], from 0 A on", ())
    energy_recovery_J: EnergyTable = quantity("J", "reverse recovery energy [[A, J], ...], from 0 A on", ())
    di_dt_A_per_s: SlopeTable = quantity("A_per_s", "current slope at turn-off, or [[A, A/s], ...]; 0: not given", ())
    dv_dt_V_per_s: SlopeTable = quantity("V_per_s", "voltage slope at turn-off, or [[A, V/s], ...]; 0: not given", ())
    gate_charge_C: float = quantity("C", "charge of one switch's gate", 0.0, ge=0, le=1e-3)
    gate_swing_V: float = quantity("V", "voltage swing of the gate", 0.0, ge=0, le=100)

    @property
    def has_energies(self) -> bool:
        """True where any energy is given."""
        return bool(self.energy_on_J or self.energy_off_J or self.energy_recovery_J)

    @model_validator(mode="after")
    def _reference(self):
        if self.has_energies and self.reference_voltage_V == 0.0:
            raise refuse("is missing; energies hold at one link voltage (V)", "Give it", ("reference_voltage_V",))
        if (self.gate_charge_C > 0.0) != (self.gate_swing_V > 0.0):
            missing = "gate_swing_V" if self.gate_charge_C > 0.0 else "gate_charge_C"
            raise refuse("is missing; the driver's loss is charge x swing", "Give both, or leave both out", (missing,))
        return self


class GateRule(Table):
    """When a setting is used. Every condition that is given must hold; the first rule that holds wins."""

    use: str = word("name of the gate setting", min_length=1)
    above_current_A: float | None = quantity("A", "holds above this phase current", None, ge=0, le=1e5)
    below_current_A: float | None = quantity("A", "holds below this phase current", None, ge=0, le=1e5)
    above_link_V: float | None = quantity("V", "holds above this link voltage", None, ge=0, le=1e5)
    below_link_V: float | None = quantity("V", "holds below this link voltage", None, ge=0, le=1e5)
    above_junction_degC: float | None = quantity("degC", "holds above this junction temperature", None, ge=-60, le=400)
    below_junction_degC: float | None = quantity("degC", "holds below this junction temperature", None, ge=-60, le=400)
    hysteresis_A: float = quantity("A", "once it holds, its current bounds give way by this", 0.0, ge=0, le=1e5)
    hysteresis_V: float = quantity("V", "once it holds, its voltage bounds give way by this", 0.0, ge=0, le=1e5)
    hysteresis_K: float = quantity("K", "once it holds, its temperature bounds give way by this", 0.0, ge=0, le=400)

    @model_validator(mode="after")
    def _conditions(self):
        given = 0
        for what, hysteresis in (("current_A", "A"), ("link_V", "V"), ("junction_degC", "K")):
            above, below = (getattr(self, f"{side}_{what}") for side in ("above", "below"))
            given += (above is not None) + (below is not None)
            if above is not None and below is not None and above >= below:
                rule = f"contradicts below_{what} = {below:g}: no value is above the one and below the other"
                raise refuse(rule, f"Let above_{what} be the smaller", (f"above_{what}",))
            if above is None and below is None and getattr(self, f"hysteresis_{hysteresis}") > 0.0:
                rule = f"has no effect: the rule has neither above_{what} nor below_{what}"
                raise refuse(rule, "Remove it", (f"hysteresis_{hysteresis}",))
        if not given:
            raise refuse("has no condition", "Give above_current_A = ..., or one of its neighbours")
        return self


class GatePlan(Table):
    """Gate settings chosen while running."""

    default: str = word("name of the gate setting where no rule holds", min_length=1)
    rules: Annotated[tuple[GateRule, ...], Rows] = word(
        "when another setting is used, the first that holds wins", (), max_length=MOST_RULES
    )
    per_leg: bool = word("true: each leg by its own current and junctions; false: all by the largest", False)
