"""Rated points of a data sheet: they give the magnet flux where nothing else does; where something does, they are compared."""

import math

from simcore.scenario.checking import short
from simcore.scenario.data_sheet.rated_points import best_torque, flux_of_torque, flux_of_voltage, voltage_at
from simcore.scenario.data_sheet.readings import Reading, plain_reading, quantity_readings
from simcore.scenario.data_sheet.winding_bases import RAD_S_PER_RPM, from_common

_NEEDED = ("pole_pairs", "inductance_d_H", "inductance_q_H")


def peak_amperes(reading):
    """A current in words."""
    return f"{short(reading.constant)} A (peak)"


def _volts(phase_peak_V):
    return f"{short(from_common('rated_voltage_V', 'line_line_rms', phase_peak_V))} V line-line rms"


def check_rated_points(filling):
    """(filling.Filling whose other constants are known) => None.

    Fills the magnet flux where it is not known, tells or refuses what does not fit.
    """
    source, agree = filling.source, filling.comparison.agree
    current = agree(quantity_readings(source, "rated_current_A"), peak_amperes, "current")
    torque = _rated_torque(source, agree)
    voltage = agree(quantity_readings(source, "rated_voltage_V"), lambda one: _volts(one.constant), "magnet")
    speed_rpm = source.sheet.rated_speed_rpm
    _tell_useless(filling, current, torque, voltage)
    if current is None or not all(filling.known.get(key, 0.0) > 0.0 for key in _NEEDED):
        return
    if torque is not None:
        _torque_point(filling, current, torque)
    if voltage is not None and speed_rpm is not None and "stator_resistance_ohm" in filling.known:
        _voltage_point(filling, current, voltage, speed_rpm * RAD_S_PER_RPM)


def _rated_torque(source, agree):
    """The rated torque, or rated power over rated speed; given both, they are compared."""
    found = plain_reading(source, "rated_torque_Nm", float)
    if source.sheet.rated_speed_rpm is not None:
        speed = source.sheet.rated_speed_rpm * RAD_S_PER_RPM
        found += plain_reading(source, "rated_power_W", lambda power: power / speed)
    return agree(found, lambda one: f"{short(one.constant)} Nm of rated torque")


def _tell_useless(filling, current, torque, voltage):
    """Rated values that stand alone say nothing about the machine's constants."""
    sheet = filling.source.sheet
    no_current, no_speed = current is None, sheet.rated_speed_rpm is None
    lacking = {
        "rated_torque_Nm": "rated_current_A" if no_current else "",
        "rated_power_W": "rated_speed_rpm" if no_speed else "rated_current_A" if no_current else "",
        "rated_voltage_V": "rated_current_A" if no_current else "rated_speed_rpm" if no_speed else "",
        "rated_current_A": "rated_torque_Nm" if torque is None and voltage is None else "",
    }
    for key, other in lacking.items():
        if other and getattr(sheet, key) is not None:
            filling.report.finding((*filling.source.at, key), f"has no effect without {other}")


def _give_flux(filling, reading, flux_Wb, rule):
    """Fill the magnet flux from a rated point, or say why no magnet gives it (nan)."""
    if not math.isnan(flux_Wb):
        filling.keep("magnet_flux_Wb", Reading(reading.at, reading.value, flux_Wb, {}, reading.layer))
        return
    filling.report.problem(reading.at, rule, "Check the bases of the inductances and of the rated point")
    filling.told.add((*filling.at, "magnet_flux_Wb"))


def _comparable(filling, *readings):
    """False where a higher file laid a constant over the sheet: then the rated point is no longer this machine's."""
    return min(reading.layer for reading in readings) >= max(filling.layers.values())


def _torque_point(filling, current, torque):
    pairs, l_d, l_q = (filling.known[key] for key in _NEEDED)
    ampere = current.constant
    if "magnet_flux_Wb" not in filling.known:
        most = best_torque(pairs, 0.0, l_d, l_q, ampere)
        rule = f"is less than the {short(most)} Nm that Lq - Ld alone gives at {short(ampere)} A (peak)"
        _give_flux(filling, torque, flux_of_torque(pairs, l_d, l_q, ampere, torque.constant), rule)
        return
    if not _comparable(filling, current, torque):
        return
    flux = filling.known["magnet_flux_Wb"]
    instead = {key: best_torque(pairs, flux, l_d, l_q, other) for key, other in current.instead.items()}
    computed = Reading(current.at, current.value, best_torque(pairs, flux, l_d, l_q, ampere), instead, current.layer)
    gives = "the magnet gives" if l_d == l_q else "magnet and reluctance give"

    def words(reading):
        given = f"{short(reading.constant)} Nm"
        return f"{given} that {gives} at {short(ampere)} A (peak)" if reading is computed else given

    filling.comparison.compare(computed, torque, words, "magnet" if l_d == l_q else "")


def _voltage_point(filling, current, voltage, speed_rad_s):
    pairs, l_d, l_q = (filling.known[key] for key in _NEEDED)
    machine, ampere = (pairs, filling.known["stator_resistance_ohm"], l_d, l_q), current.constant
    if "magnet_flux_Wb" not in filling.known:
        if (*filling.at, "magnet_flux_Wb") not in filling.told:
            least = voltage_at(*machine, 0.0, ampere, speed_rad_s)
            rule = f"is {_volts(voltage.constant)}, and the rated point needs {_volts(least)} without any magnet"
            _give_flux(filling, voltage, flux_of_voltage(*machine, ampere, speed_rad_s, voltage.constant), rule)
        return
    if not _comparable(filling, current, voltage):
        return
    needed = voltage_at(*machine, filling.known["magnet_flux_Wb"], ampere, speed_rad_s)
    needs = Reading(current.at, current.value, needed, {}, current.layer)
    point = f"{_volts(needed)} needed at {short(filling.source.sheet.rated_speed_rpm)} rpm and {short(ampere)} A (peak)"
    ratio, tolerance = needed / voltage.constant, filling.comparison.tolerance
    if ratio > 1.0 + tolerance:
        filling.comparison.compare(needs, voltage, lambda one: point if one is needs else _volts(one.constant))
    elif ratio < 1.0 - tolerance:
        statement = f"is {_volts(voltage.constant)}, more than the {point}: a reserve, or the supply's class"
        filling.report.finding(voltage.at, statement)
