"""An inverter's numbers: its carrier, what dead time costs, its devices over temperature; gate settings and heat beside."""

import math

from simcore.library.fields import given_fields
from simcore.library.gate_numbers import gate_lines, gate_numbers
from simcore.library.heat_numbers import heat_lines, heat_numbers
from simcore.library.wording import amount, plain
from simcore.report.tables import columns

# Dead time takes a square wave of its mean error from the voltage; its fundamental: S.-G. Jeong, M.-H. Park, IEEE Trans.
# Ind. Electron. 38(2), 1991 (from memory).
_FUNDAMENTAL = 4.0 / math.pi


def inverter_numbers(inverter, voltage=None):
    """(checked [inverter], (link voltage [V], where it comes from) or None) => dict of numbers."""
    share = inverter.dead_time_s * inverter.switching_frequency_Hz
    numbers = {
        "tick_s": 0.5 / inverter.switching_frequency_Hz,
        "dead_time_percent_of_link": 100.0 * share,
        "devices_over_temperature": _devices(inverter.devices),
        "gate_settings": gate_numbers(inverter, voltage),
        "heat": heat_numbers(inverter),
        "fields": given_fields(inverter),
    }
    if voltage is not None:
        error = share * voltage[0]
        numbers["dead_time"] = {
            "link_voltage_V": voltage[0],
            "from": voltage[1],
            "leg_error_V": error,
            "fundamental_phase_peak_V": _FUNDAMENTAL * error,
        }
    return numbers


def _curves(devices):
    """Name in words => (curve over junction temperature, unit)."""
    if devices.kind == "mosfet":
        found = {"on-resistance": (devices.on_resistance_ohm, "ohm")}
    else:
        found = {"threshold": (devices.threshold_V, "V"), "slope": (devices.slope_ohm, "ohm")}
    if devices.diode is not None:
        found |= {"diode threshold": (devices.diode.threshold_V, "V"), "diode slope": (devices.diode.slope_ohm, "ohm")}
    return found


def _devices(devices):
    """A row for each temperature of the tables and the one at which the part is used."""
    if devices is None:
        return []
    curves = _curves(devices)
    temperatures = sorted({degC for curve, _ in curves.values() for degC in curve.degC} | {devices.junction_degC})
    return [
        {"junction_degC": degC, "as_it_runs": degC == devices.junction_degC}
        | {f"{name.replace(' ', '_').replace('-', '_')}_{unit}": curve.at(degC) for name, (curve, unit) in curves.items()}
        for degC in temperatures
    ]


def inverter_lines(inverter, numbers):
    """(checked [inverter], its numbers) => lines."""
    pulse = f"; pulses below {amount(inverter.minimum_pulse_s, 's')} dropped" if inverter.minimum_pulse_s else ""
    lines = [
        f"carrier {amount(inverter.switching_frequency_Hz, 'Hz')}, tick {amount(numbers['tick_s'], 's')}, {inverter.update} "
        f"update, {inverter.modulation}; link capacitor {amount(inverter.link_capacitance_F, 'F')}"
        f"{_series(inverter.link_capacitor_resistance_ohm)}{pulse}",
        f"dead time {amount(inverter.dead_time_s, 's')}: {plain(numbers['dead_time_percent_of_link'], 3)} % of the link a leg"
        + _dead_time(numbers.get("dead_time")),
    ]
    if "dead_time" in numbers:
        lines.append(f"link voltage: {numbers['dead_time']['from']}")
    devices = inverter.devices
    if devices is None:
        return [*lines, "ideal devices: no drops are given"]
    rating = f"rated {amount(devices.rated_voltage_V, 'V')}, " if devices.rated_voltage_V else ""
    lines += [
        "",
        *_device_table(devices, numbers),
        f"  {rating}junction up to {plain(devices.max_junction_degC)} degC, stray inductance "
        f"{amount(devices.stray_inductance_H, 'H')}",
    ]
    if devices.diode is None:
        lines.append("  diode: ideal, no drop is given")
    lines += [f"  leg {name} has its own {', '.join(keys)}" for name, keys in _own_keys(devices) if keys]
    if numbers["gate_settings"]:
        lines += ["", *gate_lines(inverter, numbers)]
    if numbers["heat"]:
        lines += ["", *heat_lines(numbers["heat"])]
    return lines


def _own_keys(devices):
    """=> (leg's letter, dotted keys that it has of its own)."""
    return [(name, list(_dotted(own))) for name, own in zip("abc", devices.legs, strict=False)]


def _dotted(table, above=""):
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _dotted(value, f"{above}{key}.")
        else:
            yield f"{above}{key}"


def _series(ohm):
    return f" with {amount(ohm, 'ohm')}" if ohm else ""


def _dead_time(error):
    if error is None:
        return ""
    leg, first = (amount(error[key], "V", 3) for key in ("leg_error_V", "fundamental_phase_peak_V"))
    return f", at {amount(error['link_voltage_V'], 'V')} {leg}: a fundamental of {first} phase peak against the current"


def _device_table(devices, numbers):
    rows = numbers["devices_over_temperature"]
    kind = {"mosfet": "MOSFET", "igbt": "IGBT"}[devices.kind]
    head = (f"{kind} at junction", *(f"{plain(r['junction_degC'])} degC{' *' if r['as_it_runs'] else ''}" for r in rows))
    body = [
        (f"  {name}", *(amount(curve.at(row["junction_degC"]), unit) for row in rows))
        for name, (curve, unit) in _curves(devices).items()
    ]
    return [*columns([head, *body], right=range(1, len(head))), "  * as it runs"]
