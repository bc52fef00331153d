"""Limits of the monitor's checks in numbers: what the tables give, else what follows from the ratings of the parts."""

import math

from simcore.scenario.check_plant import magnets_Wb

SHORT_ABOVE, GATES_BELOW = 0.95, 0.85  # of the speed at which the EMF reaches the link
NEVER_rpm = 1e9
DERATE_K = 10.0
# {check: (quantity of the ratings, share)} of thresholds that are not given.
_SHARES = {
    "overcurrent_fast": ("current", 1.5),
    "desaturation": ("drop", 1.0),
    "overcurrent": ("current", 1.25),
    "current_sum": ("current", 0.1),
    "current_range": ("range", 1.0),
    "current_stuck": ("current", 0.1),
    "current_plausibility": ("current", 0.25),
    "speed_jump": ("speed", 0.2),
    "overspeed": ("speed", 1.1),
    "link_overvoltage": ("blocking", 1.0),
    "link_undervoltage": ("supply", 0.6),
    "torque_request": ("torque", 0.2),
    "torque_power": ("torque", 0.25),
    "winding_temperature": ("winding", 1.0),
    "junction_temperature": ("junction", 1.0),
}
DESATURATED, LEAST_DESATURATION_V = 2.5, 5.0  # of machine.max_current_A
BLOCKING, LINK_HIGH = 0.7, 1.25  # of the devices' rated voltage, of the supply's
MAX_WINDING_degC, MAX_JUNCTION_degC = 180.0, 175.0


def onset_rpm(machine, link_V):
    """(machine, link voltage) => speed at which the peak of the line-line EMF reaches it [rpm]; sqrt(3) omega psi = Vdc."""
    flux = magnets_Wb(machine)
    if flux <= 0.0:
        return NEVER_rpm
    return min(NEVER_rpm, link_V / (math.sqrt(3.0) * flux * machine.pole_pairs) * 30.0 / math.pi)


def greatest_torque_Nm(machine):
    """(machine) => the most torque that its current limit allows [Nm], found on a grid of currents or of the map's points."""
    import numpy as np

    if machine.kind == "flux_map":
        data = machine.map_data
        id_A, iq_A = np.meshgrid(data.id_A, data.iq_A, indexing="ij")
        psi_d, psi_q = data.psi_d_Wb, data.psi_q_Wb
    else:
        beta = np.linspace(0.0, np.pi, 721)
        id_A, iq_A = machine.max_current_A * np.cos(beta), machine.max_current_A * np.sin(beta)
        psi_d, psi_q = machine.inductance_d_H * id_A + machine.magnet_flux_Wb, machine.inductance_q_H * iq_A
    torque = 1.5 * machine.pole_pairs * np.abs(psi_d * iq_A - psi_q * id_A)
    return float(torque[np.hypot(id_A, iq_A) <= machine.max_current_A * (1.0 + 1e-9)].max(initial=1e-6))


def highest_supply_V(supply):
    """(supply) => the highest voltage that it shows without load [V]."""
    return max(supply.open_circuit_voltage_V.values) if supply.kind == "battery" else supply.voltage_V


def _rating(quantity, machine, inverter, supply, sensors):
    """(name of a quantity, tables) => its value."""
    devices = inverter.devices
    if quantity == "torque":
        return greatest_torque_Nm(machine)
    if quantity == "blocking":
        rated = devices.rated_voltage_V if devices is not None else 0.0
        limit = BLOCKING * rated if rated > 0.0 else LINK_HIGH * highest_supply_V(supply)
        range_V = sensors.link_voltage.range_V
        return min(limit, 0.98 * range_V) if range_V > 0.0 else limit
    if quantity == "drop":
        return max(LEAST_DESATURATION_V, _drop_V(devices, DESATURATED * machine.max_current_A))
    if quantity == "winding":
        heat = getattr(machine, "heat", None)
        return heat.max_winding_degC if heat is not None else MAX_WINDING_degC
    if quantity == "junction":
        return devices.max_junction_degC if devices is not None else MAX_JUNCTION_degC
    return {
        "current": machine.max_current_A, "speed": machine.max_speed_rpm, "supply": supply.voltage_V,
        "range": sensors.current.range_A - _step(sensors.current),
    }[quantity]  # fmt: skip


def _drop_V(devices, current_A):
    """(devices or None, current) => voltage across a switch that carries it [V]."""
    if devices is None:
        return 0.0
    at = devices.junction_degC
    if devices.kind == "mosfet":
        return devices.on_resistance_ohm.at(at) * current_A
    return devices.threshold_V.at(at) + devices.slope_ohm.at(at) * current_A


def _step(sensor):
    return sensor.range_A * 2.0 ** (1 - sensor.adc_bits) if sensor.adc_bits else 0.0


def left_out(name, sensors, machine):
    """(check, tables) => why the check cannot be made with these sensors and this machine, "" where it can."""
    position = sensors.position.kind
    if name == "current_sum" and sensors.current.phases == "ab":
        return "needs three current sensors"
    if name == "current_range" and not sensors.current.range_A:
        return "needs sensors.current.range_A"
    if name.startswith("resolver_") and position != "resolver":
        return "needs a resolver"
    if name == "angle_emf" and magnets_Wb(machine) <= 0.0:
        return "needs an EMF"
    return ""


def threshold_key(check):
    """(a check's table) => name of its key for the (upper) limit."""
    keys = [key for key in type(check).model_fields if key.startswith("threshold_")]
    return next((key for key in keys if "high" in key), keys[0])


def limits(safety, machine, inverter, supply, sensors):
    """(tables of a scenario) => {check: (its limit, its lower one or 0)} of the checks that are made, each in its own unit."""
    found = {}
    for name in type(safety).model_fields:
        check = safety.check(name) if name not in OTHER_TABLES else None
        if check is None or left_out(name, sensors, machine):
            continue
        limit = getattr(check, threshold_key(check))
        if limit is None:
            quantity, share = _SHARES[name]
            limit = share * _rating(quantity, machine, inverter, supply, sensors)
        found[name] = (float(limit), _lower(check, float(limit)))
    return found


OTHER_TABLES = ("name", "derating", "ramp_down", "safe_state", "active_short", "restart")


def _lower(check, limit):
    """The second limit: a lower one, or where derating begins."""
    if hasattr(check, "derate_from_degC"):
        return limit - DERATE_K if check.derate_from_degC is None else check.derate_from_degC
    return next((getattr(check, key) for key in type(check).model_fields if key.startswith("threshold_low")), 0.0)


def full_scales(machine, supply):
    """(tables) => {command: what counts as its full scale}."""
    volts = highest_supply_V(supply)
    return {
        "torque_Nm": greatest_torque_Nm(machine), "speed_rpm": machine.max_speed_rpm, "id_A": machine.max_current_A,
        "iq_A": machine.max_current_A, "vd_V": volts, "vq_V": volts, "voltage_V": volts,
        "frequency_Hz": machine.max_speed_rpm / 60.0 * machine.pole_pairs, "run_request": 1.0,
    }  # fmt: skip


def choice_rpm(safety, machine, supply):
    """(tables) => speed above which the choice is an active short, and below which it is gates off [rpm]."""
    choice, onset = safety.safe_state, onset_rpm(machine, supply.voltage_V)
    above, below = choice.active_short_above_rpm, choice.gates_off_below_rpm
    if above is None:
        above = max(SHORT_ABOVE * onset, 0.0 if below is None else below * SHORT_ABOVE / GATES_BELOW)
    if below is None:
        below = min(GATES_BELOW * onset, above * GATES_BELOW / SHORT_ABOVE)
    return min(above, NEVER_rpm), min(below, NEVER_rpm)
