"""[inverter]: two-level power stage, its carrier and its devices."""

from typing import Annotated, Any, Literal

from pydantic import Field

from simcore.scenario import legs
from simcore.scenario.current_tables import FactorTable
from simcore.scenario.fields import Rows, Table, quantity, word
from simcore.scenario.gate import GatePlan, GateSetting
from simcore.scenario.heat import DERATE_K, InverterHeat
from simcore.scenario.profile import CurveField


class DiodeDrop(Table):
    """Forward drop of the freewheeling diode: threshold_V + slope_ohm x current."""

    threshold_V: CurveField = quantity("V", "threshold voltage, or [[degC, V], ...]", 0.0, validate_default=True)
    slope_ohm: CurveField = quantity("ohm", "slope resistance, or [[degC, ohm], ...]", 0.0, validate_default=True)


class DevicesCommon(Table):
    """Keys of every device kind."""

    diode: DiodeDrop | None = word("forward drop of the diode; absent: ideal", None)
    junction_degC: float = quantity("degC", "temperature at which the tables are read", 25.0, ge=-60, le=300)
    stray_inductance_H: float = quantity("H", "of the commutation loop, overshoot at turn-off", 0.0, ge=0, le=1e-3)
    rated_voltage_V: float = quantity("V", "blocking voltage, the margin of the overshoot; 0: not given", 0.0, ge=0, le=1e5)
    max_junction_degC: float = quantity("degC", "highest junction temperature", 175.0, ge=0, le=400)
    legs: Annotated[tuple[dict[str, Any], ...], Rows] = word(
        "three tables, one a leg: keys of devices, and gate_settings.NAME, that differ there", ()
    )


class MosfetDevices(DevicesCommon):
    """A resistive channel, either direction."""

    kind: Literal["mosfet"] = word("a resistive channel in both directions")
    on_resistance_ohm: CurveField = quantity("ohm", "channel resistance, or [[degC, ohm], ...]")
    on_resistance_over_current: FactorTable = quantity("", "factor on it over the current, [[A, factor], ...]", ())


class IgbtDevices(DevicesCommon):
    """Threshold and slope forward, the diode backward."""

    kind: Literal["igbt"] = word("threshold and slope; reverse current in the diode")
    threshold_V: CurveField = quantity("V", "threshold voltage, or [[degC, V], ...]")
    slope_ohm: CurveField = quantity("ohm", "slope resistance, or [[degC, ohm], ...]")


class Inverter(Table):
    """The power stage between link and machine."""

    name: str = word("name for tables and figures", "")
    model: Literal["averaged", "switched"] = word("mean voltages over a tick, or exact switching edges", "averaged")
    switching_frequency_Hz: float = quantity("Hz", "carrier frequency; a tick is half its period", ge=10, le=1e6)
    update: Literal["single", "double"] = word("control once or twice a carrier period", "double")
    modulation: Literal["sine", "third_harmonic", "svpwm", "dpwm1", "dpwm_min", "dpwm_max", "six_step"] = word(
        "modulator of the built-in controller; six_step: space vector, overmodulated up to six-step", "svpwm"
    )
    dead_time_s: float = quantity("s", "both switches off between turn-off and turn-on", 0.0, ge=0, le=1e-2)
    minimum_pulse_s: float = quantity("s", "shorter pulses are dropped; 0: none", 0.0, ge=0, le=1e-2)
    link_capacitance_F: float = quantity("F", "link capacitor; 0: none (stiff link)", 0.0, ge=0, le=100)
    link_capacitor_resistance_ohm: float = quantity("ohm", "series resistance of the link capacitor", 0.0, ge=0, le=100)
    gate_settings: dict[str, GateSetting] = word("gate settings of the part, by name", {})
    gate_setting: str | None = Field(
        default_factory=lambda seen: next(iter(seen["gate_settings"]), None),
        description="name of the gate setting at the start; by default the first of the part's",
        json_schema_extra={"unit": ""},
    )
    gate_plan: GatePlan | None = word("gate settings chosen while running; absent: the one setting", None)
    heat: InverterHeat | None = word("heat in the devices; absent: junctions stay at devices.junction_degC", None)
    devices: Annotated[MosfetDevices | IgbtDevices, Field(discriminator="kind")] | None = word(
        "forward drops of switches and diodes; absent: ideal", None
    )

    def leg_devices(self, leg):
        """Devices of leg 0, 1 or 2 with its own keys over those of all; None without devices."""
        return legs.leg_devices(self, leg)

    def leg_gate_settings(self, leg) -> dict[str, GateSetting]:
        """Gate settings of leg 0, 1 or 2 by name, with its own keys over those of all; order as in the file."""
        return legs.leg_gate_settings(self, leg)

    @property
    def derate_from_degC(self) -> float | None:
        """Junction temperature from which torque is reduced [degC]; None without heat."""
        if self.heat is None or self.devices is None:
            return None
        given = self.heat.derate_from_degC
        return self.devices.max_junction_degC - DERATE_K if given is None else given
