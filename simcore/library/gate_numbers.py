"""An inverter's gate settings in figures: energies, slopes, what the stray inductance adds at turn-off, the drivers' power."""

from simcore.library.wording import amount, plain
from simcore.report.tables import columns


def gate_numbers(inverter, voltage):
    """(checked [inverter], (link voltage [V], where it comes from) or None) => {setting: dict of numbers}."""
    return {name: _of(one, inverter, voltage) for name, one in inverter.gate_settings.items()}


def _of(setting, inverter, voltage):
    """Energies at the table's largest current; overshoot and slope at their largest, the link at the voltage asked for."""
    devices = inverter.devices
    energies = {name: getattr(setting, f"energy_{name}_J") for name in ("on", "off", "recovery")}
    at = {f"energy_{name}_J": points[-1][1] for name, points in energies.items() if points}
    current = max((points[-1][0] for points in energies.values() if points), default=None)
    slopes = (setting.di_dt_A_per_s, setting.dv_dt_V_per_s)
    di_dt, dv_dt = (max((slope for _, slope in points), default=0.0) for points in slopes)
    stray, rated = (devices.stray_inductance_H, devices.rated_voltage_V) if devices is not None else (0.0, 0.0)
    numbers = {
        "gate_on_ohm": setting.gate_on_ohm,
        "gate_off_ohm": setting.gate_off_ohm,
        "di_dt_A_per_s": di_dt,
        "dv_dt_V_per_s": dv_dt,
        "current_A": current,
        "reference_voltage_V": setting.reference_voltage_V,
        "reference_temperature_degC": setting.reference_temperature_degC,
        **at,
        "energy_J": sum(at.values()) if at else None,
        "stray_voltage_V": stray * di_dt,
        "drivers_W": 6.0 * setting.gate_charge_C * setting.gate_swing_V * inverter.switching_frequency_Hz,
    }
    if voltage is not None and stray * di_dt > 0.0:
        # Peak voltage V + L di/dt over the switch that turns off: common practice, no source.
        numbers |= {"link_voltage_V": voltage[0], "peak_voltage_V": voltage[0] + stray * di_dt}
        if rated:
            numbers["margin_V"] = rated - numbers["peak_voltage_V"]
    return numbers


def gate_lines(inverter, numbers):
    """(checked [inverter], {setting: numbers}) => lines."""
    settings = numbers["gate_settings"]
    head = ("Gate setting", "gate on", "off", "turn-on", "turn-off", "recovery", "sum", "six drivers")
    rows, places = [], set()
    for name, one in settings.items():
        keys = ("energy_on_J", "energy_off_J", "energy_recovery_J", "energy_J")
        energies = [amount(one.get(key), "J", none="-") for key in keys]
        gates = [amount(one[key], "ohm") if one[key] else "-" for key in ("gate_on_ohm", "gate_off_ohm")]
        drivers = amount(one["drivers_W"], "W", 3) if one["drivers_W"] else "-"
        rows.append((_label(inverter, name), *gates, *energies, drivers))
        if one["current_A"]:
            degC = plain(one["reference_temperature_degC"])
            places.add(f"{amount(one['current_A'], 'A')}, {amount(one['reference_voltage_V'], 'V')}, {degC} degC")
    told = f"energies at {' or '.join(sorted(places))}; " if places else ""
    lines = [*columns([head, *rows], right=range(1, len(head))), f"  {told}* as it runs"]
    return lines + _edges(inverter, settings)


def _label(inverter, name):
    return f"  {name}{' *' if name == inverter.gate_setting else ''}"


def _edges(inverter, settings):
    """Lines about di/dt, dv/dt and the voltage at turn-off; none where no setting gives a slope."""
    if not any(one["di_dt_A_per_s"] or one["dv_dt_V_per_s"] for one in settings.values()):
        return []
    head, rows, link = ("Turn-off at most", "di/dt", "dv/dt", "L di/dt", "peak", "to the rating"), [], None
    for name, one in settings.items():
        slopes = [f"{plain(1e-9 * one[key])} {unit}/ns" if one[key] else "-"
                  for key, unit in (("di_dt_A_per_s", "A"), ("dv_dt_V_per_s", "V"))]  # fmt: skip
        stray = amount(one["stray_voltage_V"], "V", 3) if one["stray_voltage_V"] else "-"
        rest = [amount(one.get(key), "V", none="-") for key in ("peak_voltage_V", "margin_V")]
        link = one.get("link_voltage_V", link)
        rows.append((_label(inverter, name), *slopes, stray, *rest))
    lines = ["", *columns([head, *rows], right=range(1, len(head)))]
    if link is None:
        return lines
    rated = inverter.devices.rated_voltage_V
    of = f", rating {amount(rated, 'V')}" if rated else ", no rating is given"
    return [*lines, f"  peak: link {amount(link, 'V')} + L di/dt with {amount(inverter.devices.stray_inductance_H, 'H')}{of}"]
