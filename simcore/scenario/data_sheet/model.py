"""[machine.data_sheet]: a machine's constants as its data sheet gives them, each number below its basis.

    [machine.data_sheet]
    poles = 8
    emf_constant_V_per_krpm.line_line_rms = 80.0
    resistance_ohm.line_line = 0.9

What is read here fills the constants of [machine] before they are checked (simcore.scenario.data_sheet.filling).
"""

from typing import Literal

from pydantic import create_model

from simcore.scenario.data_sheet import winding_bases
from simcore.scenario.fields import Table, quantity, word

SMALLEST, LARGEST = 1e-9, 1e9

# Quantity => (unit, meaning). The words of each basis stand in winding_bases.
QUANTITIES = {
    "emf_constant_V_per_krpm": ("V_per_krpm", "EMF constant Ke at 1000 rpm (mechanical), no load"),
    "emf_constant_V_s_per_rad": ("V_s_per_rad", "EMF constant Ke at 1 rad/s (mechanical), no load"),
    "emf_V": ("V", "EMF measured at emf_speed_rpm, no load"),
    "speed_constant_rpm_per_V": ("rpm_per_V", "speed constant Kv: no-load speed a volt of EMF"),
    "torque_constant_Nm_per_A": ("Nm_per_A", "torque constant Kt of the magnet alone (id = 0)"),
    "magnet_flux_Wb": ("Wb", "flux linkage of the magnets"),
    "no_load_voltage_V": ("V", "EMF at no_load_speed_rpm; of a link with space-vector modulation: line_line_peak"),
    "rated_voltage_V": ("V", "voltage at the terminals at rated speed and current (not the supply's class)"),
    "resistance_ohm": ("ohm", "winding resistance at resistance_temperature_degC"),
    "inductance_H": ("H", "winding inductance, alike for both axes (or their mean)"),
    "inductance_d_H": ("H", "winding inductance along the magnet axis"),
    "inductance_q_H": ("H", "winding inductance across the magnet axis"),
    "rated_current_A": ("A", "rated current"),
    "max_current_A": ("A", "largest current, fills machine.max_current_A"),
}


def _bases(name):
    """A table with one optional number for each basis of a quantity."""
    unit, meaning = QUANTITIES[name]
    fields = {
        basis: (float | None, quantity(unit, f"{meaning}: {words}", None, ge=SMALLEST, le=LARGEST))
        for basis, words in winding_bases.BASES[name].items()
    }
    title = "".join(part.capitalize() for part in name.split("_"))
    return create_model(f"DataSheet{title}", __base__=Table, __doc__=f"{meaning}, in one or more bases.", **fields) | None


def _given(name):
    unit, meaning = QUANTITIES[name]
    return quantity(unit, f"{meaning}; the number stands below its basis, {name}.{next(iter(winding_bases.BASES[name]))}", None)


def _number(unit, meaning, **bounds):
    return quantity(unit, meaning, None, **{"ge": SMALLEST, "le": LARGEST, **bounds})


class DataSheet(Table):
    """Constants in any usual basis. Whatever is given twice is compared; see tolerance_percent."""

    connection: Literal["star", "delta"] = word(
        "how the winding is connected; a delta is converted to the equivalent star, bases of a phase are the winding's", "star"
    )
    tolerance_percent: float = quantity(
        "percent", "values that fix the same constant may differ by this much; more is refused", 5.0, gt=0, le=50
    )
    poles: int | None = quantity("", "number of poles: twice the pole pairs", None, ge=2, le=400)
    resistance_temperature_degC: float | None = quantity(
        "degC", "winding temperature of resistance_ohm; by default the machine's reference temperature", None, ge=-60, le=400
    )
    resistance_ohm: _bases("resistance_ohm") = _given("resistance_ohm")
    inductance_H: _bases("inductance_H") = _given("inductance_H")
    inductance_d_H: _bases("inductance_d_H") = _given("inductance_d_H")
    inductance_q_H: _bases("inductance_q_H") = _given("inductance_q_H")
    emf_constant_V_per_krpm: _bases("emf_constant_V_per_krpm") = _given("emf_constant_V_per_krpm")
    emf_constant_V_s_per_rad: _bases("emf_constant_V_s_per_rad") = _given("emf_constant_V_s_per_rad")
    emf_V: _bases("emf_V") = _given("emf_V")
    emf_speed_rpm: float | None = _number("rpm", "speed at which emf_V was measured")
    speed_constant_rpm_per_V: _bases("speed_constant_rpm_per_V") = _given("speed_constant_rpm_per_V")
    torque_constant_Nm_per_A: _bases("torque_constant_Nm_per_A") = _given("torque_constant_Nm_per_A")
    magnet_flux_Wb: _bases("magnet_flux_Wb") = _given("magnet_flux_Wb")
    no_load_speed_rpm: float | None = _number("rpm", "speed at which the EMF is no_load_voltage_V")
    no_load_voltage_V: _bases("no_load_voltage_V") = _given("no_load_voltage_V")
    rated_torque_Nm: float | None = _number("Nm", "torque at rated_current_A, reluctance torque included")
    rated_current_A: _bases("rated_current_A") = _given("rated_current_A")
    rated_speed_rpm: float | None = _number("rpm", "rated speed")
    rated_voltage_V: _bases("rated_voltage_V") = _given("rated_voltage_V")
    rated_power_W: float | None = _number("W", "shaft power at rated_speed_rpm; stands for the rated torque")
    max_current_A: _bases("max_current_A") = _given("max_current_A")
