"""Power stage of a bench from the scenario's models: devices, gate settings and plan, thermal networks, the machine's nodes."""

import math

import numpy as np

from simcore.plant.records import MOST_STAGES
from simcore.plant.temperature import COPPER_ZERO_degC
from simcore.plant.thermal_network import two_port

GATE_TABLES = {"on": "energy_on_J", "off": "energy_off_J", "recovery": "energy_recovery_J", "di_dt": "di_dt_A_per_s",
               "dv_dt": "dv_dt_V_per_s"}  # fmt: skip
RULE_BOUNDS = {"above_A": "above_current_A", "below_A": "below_current_A", "above_V": "above_link_V", "below_V": "below_link_V",
               "above_degC": "above_junction_degC", "below_degC": "below_junction_degC"}  # fmt: skip
RULE_GIVES = ("hysteresis_A", "hysteresis_V", "hysteresis_K")


def wanted(scenario):
    """True where the power stage is reckoned with tick by tick: switching losses, link ripple or heat."""
    inverter = scenario.inverter
    staged = inverter.gate_settings or inverter.heat is not None or inverter.link_capacitor_resistance_ohm > 0.0
    return bool(staged or scenario.machine.heat is not None or (inverter.devices is not None and inverter.devices.legs))


def fill_power(p, scenario, table):
    """(BENCH record, scenario, flat table) => the record's power stage filled, the table with the energies behind it."""
    power, inverter = p["power"], scenario.inverter
    p["magnet_degC"] = scenario.machine.magnet_temperature_degC
    if not wanted(scenario):
        return table
    power["active"] = 1
    power["capacitor_ohm"] = inverter.link_capacitor_resistance_ohm
    pieces = [table]
    if inverter.devices is not None:
        _fill_devices(power, inverter)
        place = len(table)
        for leg in range(3):
            for k, setting in enumerate(inverter.leg_gate_settings(leg).values()):
                place = _fill_gate(power["gates"][3 * k + leg], setting, pieces, place)
    names = list(inverter.gate_settings) if inverter.devices is not None else []
    power["settings"] = len(names)
    if names:
        power["first_setting"] = names.index(inverter.gate_setting)
        _fill_plan(power, inverter.gate_plan, names)
    if inverter.heat is not None:
        _fill_heat(power, inverter, scenario.tick_s)
    if scenario.machine.heat is not None:
        _fill_machine_heat(power, scenario.machine, scenario.tick_s)
    return np.concatenate(pieces)


def _fill_curve(record, pairs):
    record["count"] = len(pairs)
    for k, (x, y) in enumerate(pairs):
        record["x"][k], record["y"][k] = x, y


def _curve(curve):
    return tuple(zip(curve.degC, curve.values, strict=True))


def _fill_devices(power, inverter):
    for leg in range(3):
        devices, record = inverter.leg_devices(leg), power["devices"][leg]
        if devices.kind == "mosfet":
            _fill_curve(record["switch_V"], ((25.0, 0.0),))
            _fill_curve(record["switch_ohm"], _curve(devices.on_resistance_ohm))
            _fill_curve(record["over_current"], devices.on_resistance_over_current)
        else:
            _fill_curve(record["switch_V"], _curve(devices.threshold_V))
            _fill_curve(record["switch_ohm"], _curve(devices.slope_ohm))
        diode = devices.diode
        _fill_curve(record["diode_V"], ((25.0, 0.0),) if diode is None else _curve(diode.threshold_V))
        _fill_curve(record["diode_ohm"], ((25.0, 0.0),) if diode is None else _curve(diode.slope_ohm))
        record["stray_H"] = devices.stray_inductance_H


def _fill_gate(record, setting, pieces, place):
    for name, key in GATE_TABLES.items():
        points = getattr(setting, key)
        record[name][0], record[name][1] = place, len(points)
        pieces.append(np.array(points, dtype=np.float64).ravel())
        place += 2 * len(points)
    record["reference_V"], record["reference_degC"] = setting.reference_voltage_V, setting.reference_temperature_degC
    record["exponent"], record["per_K"] = setting.voltage_exponent, setting.temperature_coefficient_per_K
    record["diode_exponent"], record["diode_per_K"] = (
        setting.diode_voltage_exponent, setting.diode_temperature_coefficient_per_K,
    )  # fmt: skip
    record["driver_J"] = setting.gate_charge_C * setting.gate_swing_V
    return place


def _fill_plan(power, plan, names):
    if plan is None:
        return
    power["first_setting"] = names.index(plan.default)
    power["rules"], power["per_leg"] = len(plan.rules), plan.per_leg
    for record, rule in zip(power["rule"], plan.rules, strict=False):
        for bound, key in RULE_BOUNDS.items():
            value = getattr(rule, key)
            record[bound] = (-math.inf if bound.startswith("above") else math.inf) if value is None else value
        for name in RULE_GIVES:
            record[name] = getattr(rule, name)
        record["use"] = names.index(rule.use)


def _fill_network(record, network, step_s):
    port = two_port(network.cauer)
    decay = np.exp(-step_s / port.tau_s)
    held = -port.tau_s * np.expm1(-step_s / port.tau_s)
    n = len(decay)
    record["count"] = n
    for name, values in (("decay", decay), ("in_power", held * port.from_power), ("in_base", held * port.from_base),
                         ("to_junction", port.to_junction), ("to_flow", port.to_flow)):  # fmt: skip
        record[name][:n] = values
    record["base_W_per_K"] = 1.0 / port.last_K_per_W


def _fill_heat(power, inverter, tick_s):
    heat = inverter.heat
    power["heat"], power["heat_ticks"] = 1, heat.ticks_per_step
    power["heat_step_s"], power["coolant_degC"] = heat.ticks_per_step * tick_s, heat.coolant_degC
    _fill_network(power["switch_path"], heat.switch, power["heat_step_s"])
    power["one_chip"] = heat.diode is None
    if heat.diode is not None:
        _fill_network(power["diode_path"], heat.diode, power["heat_step_s"])
    power["sink_count"] = len(heat.sink_at_flow)
    for k, (capacity, resistance) in enumerate(heat.sink_at_flow):
        power["sink_J_per_K"][k], power["sink_W_per_K"][k] = capacity, 1.0 / resistance


def _fill_machine_heat(power, machine, tick_s):
    heat = machine.heat
    power["machine_heat"], power["machine_ticks"] = 1, heat.ticks_per_step
    power["machine_step_s"], power["machine_coolant_degC"] = heat.ticks_per_step * tick_s, heat.coolant_degC
    for name in ("winding_J_per_K", "iron_J_per_K", "magnet_J_per_K", "magnet_share"):
        power[name] = getattr(heat, name)
    for name in ("winding_to_iron", "iron_to_coolant", "magnet_to_iron"):
        power[f"{name}_W_per_K"] = 1.0 / getattr(heat, f"{name}_K_per_W")
    power["resistance_ohm"], power["reference_degC"] = machine.stator_resistance_ohm, machine.reference_temperature_degC
    power["copper_per_K"] = 1.0 / (COPPER_ZERO_degC + machine.reference_temperature_degC)
    if machine.kind == "constants":
        power["magnet_flux_Wb"] = machine.magnet_flux_Wb
        power["magnet_per_K"] = machine.magnet_temperature_coefficient_per_K


def begin_power(s, p, scenario):
    """(STATE record, BENCH record, scenario) => temperatures, settings and device drops as the run begins."""
    power, ps, drive = p["power"], s["power"], s["drive"]
    ps["asked"] = s["pending_setting"] = -1
    ps["gate_seen"] = s["legs"]["gate"]
    ps["level"] = -1
    if not power["active"]:
        return
    ps["setting"] = power["first_setting"]
    inverter, machine = scenario.inverter, scenario.machine
    ps["switch_degC"] = ps["diode_degC"] = p["junction_degC"]
    if power["heat"]:
        _begin_heat(ps, p, inverter.heat)
    ps["hottest_degC"] = p["junction_degC"]
    ps["winding_degC"], ps["magnet_degC"] = machine.winding_temperature_degC, machine.magnet_temperature_degC
    ps["iron_degC"] = ps["winding_degC"]
    if power["machine_heat"]:
        ps["iron_degC"] = machine.heat.coolant_degC
        if machine.heat.initial == "coolant":
            ps["winding_degC"] = ps["magnet_degC"] = machine.heat.coolant_degC
        p["winding_degC"], p["magnet_degC"] = ps["winding_degC"], ps["magnet_degC"]
        follow_machine(p, ps)
    if inverter.devices is not None:
        drive["own_devices"] = 1
        follow_devices(p, s)


def _begin_heat(ps, p, heat):
    """Everything at the coolant's temperature, or every junction at one given."""
    start = heat.coolant_degC if isinstance(heat.initial, str) else heat.initial
    p["junction_degC"] = start
    rise = start - heat.coolant_degC
    watts = [np.full(6, rise / network.resistance_K_per_W) if network is not None else np.zeros(6)
             for network in (heat.switch, heat.diode)]  # fmt: skip
    hold_losses(p["power"], ps, *watts, 0.0)


def hold_losses(power, ps, switch_W, diode_W, base_K):
    """(losses of the devices [W], (6,) each, base over the coolant [K]) => modes and temperatures of the steady state."""
    for network, modes, watts, kelvin in (
        (power["switch_path"], ps["switch_mode"], switch_W, ps["switch_degC"]),
        (power["diode_path"], ps["diode_mode"], diode_W, ps["diode_degC"]),
    ):
        n = int(network["count"])
        if n == 0:  # the diode is part of the switch's chip
            kelvin[:] = ps["switch_degC"]
            continue
        per_watt, per_base = _still(network, n)
        for device in range(6):
            still = per_watt * watts[device] + per_base * base_K
            modes[MOST_STAGES * device : MOST_STAGES * device + n] = still
            kelvin[device] = power["coolant_degC"] + float(network["to_junction"][:n] @ still)


def _still(network, n):
    """=> the modes (n,) that one watt, and a base at one kelvin, hold."""
    held = 1.0 - network["decay"][:n]
    return network["in_power"][:n] / held, network["in_base"][:n] / held


def follow_machine(p, ps):
    """(temperatures) => the machine record's resistance and magnet flux at them (as plant/heat.py does in a run)."""
    power, machine = p["power"], p["machine"]
    machine["resistance_ohm"] = power["resistance_ohm"] * (
        1.0 + power["copper_per_K"] * (ps["winding_degC"] - power["reference_degC"])
    )
    if power["magnet_flux_Wb"] > 0.0:
        machine["magnet_flux_Wb"] = power["magnet_flux_Wb"] * (
            1.0 + power["magnet_per_K"] * (ps["magnet_degC"] - power["reference_degC"])
        )


def follow_devices(p, s):
    """(junction temperatures) => every device's drop at them."""
    ps, drive = s["power"], s["drive"]
    for device in range(6):
        curves = p["power"]["devices"][device // 2]
        for name, degC in (("switch_V", ps["switch_degC"]), ("switch_ohm", ps["switch_degC"]),
                           ("diode_V", ps["diode_degC"]), ("diode_ohm", ps["diode_degC"])):  # fmt: skip
            n = int(curves[name]["count"])
            drive[name][device] = np.interp(degC[device], curves[name]["x"][:n], curves[name]["y"][:n])
