"""A supply's numbers: what it gives at most, and how fast."""

from simcore.library.fields import field_rows, given_fields
from simcore.library.wording import amount, plain
from simcore.report.tables import columns


def supply_numbers(supply):
    """(checked [supply]) => dict of numbers. voltage_V: of the source, at the start of a battery, mean of a rectifier."""
    volt, ohm = float(supply.voltage_V), supply.resistance_ohm
    numbers = {"kind": supply.kind, "voltage_V": volt, "fields": given_fields(supply)}
    if ohm > 0.0:
        numbers["short_circuit_current_A"] = volt / ohm
        # At half the voltage as much is lost as given.
        numbers["most_power_W"] = 0.25 * volt**2 / ohm
        numbers["time_constant_s"] = supply.inductance_H / ohm
    if supply.kind == "battery":
        numbers["energy_kWh"] = 1e-3 * supply.capacity_Ah * _mean_of(supply.open_circuit_voltage_V)
    if supply.chopper is not None:
        numbers["chopper_power_W"] = supply.chopper.on_above_V**2 / supply.chopper.resistance_ohm
    return numbers


def _mean_of(curve):
    """Mean open-circuit voltage over the charge from 0 to 1: the line between the points, its ends held."""
    charge = sorted({0.0, 1.0, *(x for x in curve.degC if 0.0 < x < 1.0)})
    pairs = zip(charge, charge[1:], strict=False)
    return sum(0.5 * (curve.at(a) + curve.at(b)) * (b - a) for a, b in pairs)


_DERIVED = (
    ("short_circuit_current_A", "A", "short-circuit current, voltage over resistance"),
    ("most_power_W", "W", "most power that it can give, at half its voltage"),
    ("time_constant_s", "s", "inductance over resistance"),
    ("energy_kWh", "kWh", "energy of a full charge at no current"),
    ("chopper_power_W", "W", "power of the brake chopper where it switches on"),
)


def supply_lines(supply, numbers):
    """(checked [supply], its numbers) => lines: what is given, then what follows from it."""
    given = [row for row in field_rows(supply) if not row[1].startswith("0 ")]
    given.sort(key=lambda row: "voltage" not in row[0])
    derived = [(f"  {meaning}", amount(numbers[key], unit), "") for key, unit, meaning in _DERIVED if numbers.get(key)]
    words = {
        "source": "voltage source",
        "battery": "battery, {} V at its state of charge",
        "rectifier": "rectifier, {} V on average",
    }
    head = words.get(supply.kind, f"{supply.kind}, {{}} V").format(plain(numbers["voltage_V"]))
    rows = [(f"  {key}", value, meaning) for key, value, meaning in given]
    return [head, *columns([*rows, *derived], right=(1,))]
