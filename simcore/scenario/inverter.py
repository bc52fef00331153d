"""[inverter]: two-level power stage, its carrier and its devices."""

from typing import Annotated, Literal

from pydantic import Field

from simcore.scenario.fields import Rows, Table, quantity, word
from simcore.scenario.profile import CurveField

Points = Annotated[tuple[Annotated[tuple[float, float], Rows], ...], Rows]


class DiodeDrop(Table):
    """Forward drop of the freewheeling diode: threshold_V + slope_ohm x current."""

    threshold_V: CurveField = quantity("V", "threshold voltage, or [[degC, V], ...]", 0.0, validate_default=True)
    slope_ohm: CurveField = quantity("ohm", "slope resistance, or [[degC, ohm], ...]", 0.0, validate_default=True)


class DevicesCommon(Table):
    """Keys of every device kind."""

    diode: DiodeDrop | None = word("forward drop of the diode; absent: ideal", None)
    junction_degC: float = quantity("degC", "temperature at which the tables are read", 25.0, ge=-60, le=300)
    stray_inductance_H: float = quantity("H", "stray inductance of the commutation loop (kept, not used)", 0.0, ge=0, le=1e-3)
    rated_voltage_V: float = quantity("V", "blocking voltage (kept, not used); 0: not given", 0.0, ge=0, le=1e5)
    max_junction_degC: float = quantity("degC", "highest junction temperature (kept, not used)", 175.0, ge=0, le=400)


class MosfetDevices(DevicesCommon):
    """A resistive channel, either direction."""

    kind: Literal["mosfet"] = word("a resistive channel in both directions")
    on_resistance_ohm: CurveField = quantity("ohm", "channel resistance, or [[degC, ohm], ...]")


class IgbtDevices(DevicesCommon):
    """Threshold and slope forward, the diode backward."""

    kind: Literal["igbt"] = word("threshold and slope; reverse current in the diode")
    threshold_V: CurveField = quantity("V", "threshold voltage, or [[degC, V], ...]")
    slope_ohm: CurveField = quantity("ohm", "slope resistance, or [[degC, ohm], ...]")


class GateSetting(Table):
    """Switching behaviour with one pair of gate resistors. Kept with the part; not used in this version."""

    gate_on_ohm: float = quantity("ohm", "turn-on gate resistor", 0.0, ge=0, le=1e4)
    gate_off_ohm: float = quantity("ohm", "turn-off gate resistor", 0.0, ge=0, le=1e4)
    reference_voltage_V: float = quantity("V", "link voltage of the tables", 0.0, ge=0, le=1e5)
    reference_temperature_degC: float = quantity("degC", "junction temperature of the tables", 25.0, ge=-60, le=300)
    voltage_exponent: float = quantity("", "energies grow with (voltage / reference) to this power", 1.0, ge=0, le=5)
    temperature_coefficient_per_K: float = quantity("per_K", "relative change of energies a kelvin", 0.0, ge=-0.1, le=0.1)
    energy_on_J: Points = quantity("J", "turn-on energy [[A, J], ...]", ())
    energy_off_J: Points = quantity("J", "turn-off energy [[A, J], ...]", ())
    energy_recovery_J: Points = quantity("J", "reverse recovery energy [[A, J], ...]", ())
    di_dt_A_per_s: float = quantity("A_per_s", "current slope at turn-on", 0.0, ge=0, le=1e13)
    dv_dt_V_per_s: float = quantity("V_per_s", "voltage slope", 0.0, ge=0, le=1e13)


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
    gate_setting: str | None = word("name of one of gate_settings (kept, not used in this version)", None)
    gate_settings: dict[str, GateSetting] = word("gate settings of the part (kept, not used in this version)", {})
    devices: Annotated[MosfetDevices | IgbtDevices, Field(discriminator="kind")] | None = word(
        "forward drops of switches and diodes; absent: ideal", None
    )
