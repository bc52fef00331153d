"""A checked scenario => the bench's records: parameters, state, tables, profiles, scopes."""

import math

import numpy as np

from simcore.inverter.records import NEVER
from simcore.loop.records import BENCH, PROFILES, SCOPE, SCOPE_CHANNELS, STATE
from simcore.plant.records import CAPACITOR, CAPACITOR_AND_CHOKE, FREE, LOCKED, RIG, STIFF
from simcore.plant.temperature import magnet_flux_Wb, resistance_ohm
from simcore.sensing.records import IDEAL, RESOLVER

LOAD_KINDS = {"rig": RIG, "free": FREE, "locked": LOCKED}
SIGN_BAND_SHARE = 0.1 / 7.0179  # i / sqrt(i^2 + band^2) reaches 0.99 at 7.0179 bands, put at 10 % of max_current_A
PSI_LIMIT = 1e3  # flux linkage over the machine's own scale beyond which a solution counts as diverged


def fill_machine(record, machine):
    """(machine model) => machine record filled, the flat table its map needs (one zero for constants)."""
    record["pole_pairs"] = machine.pole_pairs
    record["resistance_ohm"] = resistance_ohm(machine)
    if machine.kind == "flux_map":
        record["use_map"], record["map_offset"] = 1, 0
        return np.ascontiguousarray(machine.map_data.tables.table)
    record["inductance_d_H"], record["inductance_q_H"] = machine.inductance_d_H, machine.inductance_q_H
    record["magnet_flux_Wb"] = magnet_flux_Wb(machine)
    return np.zeros(1)


def _fill_shaft(record, load):
    record["kind"] = LOAD_KINDS[load.kind]
    if load.kind == "free":
        record["inertia_kg_m2"], record["viscous_Nm_s"] = load.inertia_kg_m2, load.viscous_Nm_s
        record["coulomb_Nm"] = load.coulomb_Nm
        record["stiction_Nm"] = load.coulomb_Nm if load.stiction_Nm is None else load.stiction_Nm


def _fill_link(record, supply, inverter):
    record["source_V"], record["resistance_ohm"] = supply.voltage_V, supply.resistance_ohm
    record["inductance_H"], record["capacitance_F"] = supply.inductance_H, inverter.link_capacitance_F
    if supply.inductance_H > 0.0:
        record["kind"] = CAPACITOR_AND_CHOKE
    elif supply.resistance_ohm > 0.0:
        record["kind"] = CAPACITOR
    else:
        record["kind"] = STIFF
        record["resistance_ohm"] = 0.0


def _fill_inverter(record, inverter, machine, tick_s):
    record["switched"] = inverter.model == "switched"
    record["tick_s"], record["dead_time_s"] = tick_s, inverter.dead_time_s
    record["minimum_pulse_s"] = inverter.minimum_pulse_s
    record["sign_band_A"] = SIGN_BAND_SHARE * machine.max_current_A
    devices = inverter.devices
    if devices is not None:
        record["is_mosfet"] = devices.kind == "mosfet"
        at = devices.junction_degC
        if devices.kind == "mosfet":
            record["switch_slope_ohm"] = devices.on_resistance_ohm.at(at)
        else:
            record["switch_threshold_V"], record["switch_slope_ohm"] = devices.threshold_V.at(at), devices.slope_ohm.at(at)
        if devices.diode is not None:
            record["diode_threshold_V"], record["diode_slope_ohm"] = (
                devices.diode.threshold_V.at(at), devices.diode.slope_ohm.at(at),
            )  # fmt: skip
    lossless = not any(
        float(record[name]) for name in ("switch_threshold_V", "switch_slope_ohm", "diode_threshold_V", "diode_slope_ohm")
    )
    record["ideal"] = lossless and (inverter.model == "switched" or inverter.dead_time_s == 0.0)


def _lsb(bits, full_range):
    return 2.0 * full_range / 2.0**bits if bits else 0.0


def _fill_sensors(p, sensors, machine):
    current, record = sensors.current, p["current"]
    record["phases"] = len(current.phases)
    record["offset_A"], record["gain"] = current.offset_A, current.gain
    record["noise_rms_A"], record["range_A"] = current.noise_rms_A, current.range_A
    record["bandwidth_rad_s"] = 2.0 * math.pi * current.bandwidth_Hz
    record["lsb_A"] = _lsb(current.adc_bits, current.range_A)
    position, record = sensors.position, p["position"]
    record["machine_pole_pairs"] = machine.pole_pairs
    record["kind"] = IDEAL
    record["pole_pairs"] = 1.0
    if position.kind == "resolver":
        record["kind"], record["pole_pairs"] = RESOLVER, position.pole_pairs
        record["electrical_ratio"] = machine.pole_pairs / position.pole_pairs
        quadrature = math.radians(position.quadrature_error_deg)
        record["sin_quadrature"], record["cos_quadrature"] = math.sin(quadrature), math.cos(quadrature)
        for name in ("amplitude_imbalance", "offset_sin", "offset_cos", "noise_rms"):
            record[name] = getattr(position, name)
        record["mounting_offset_rad"] = math.radians(position.mounting_offset_deg)
        record["natural_frequency_rad_s"] = 2.0 * math.pi * position.tracking_natural_frequency_Hz
        record["damping"] = position.tracking_damping
    elif hasattr(position, "mounting_offset_deg"):
        record["mounting_offset_rad"] = math.radians(position.mounting_offset_deg)
    voltage, record = sensors.link_voltage, p["link_voltage"]
    record["gain"], record["offset_V"], record["noise_rms_V"] = voltage.gain, voltage.offset_V, voltage.noise_rms_V
    record["range_V"], record["lsb_V"] = voltage.range_V, _lsb(voltage.adc_bits, voltage.range_V)


def profile_points(profile, tick_s):
    """(profile) => array (points, 2) of tick and value: steps act from the rounded tick, ramps between exact times."""
    ticks = [time / tick_s if profile.shape == "linear" else float(round(time / tick_s)) for time in profile.times]
    return np.column_stack([ticks, profile.values])


def _load_profile(load):
    if load.kind == "rig":
        return load.speed_rpm
    return load.torque_Nm if load.kind == "free" else None


def _fill_profiles(p, scenario):
    points = []
    start = 0
    profiles = [getattr(scenario.commands, name) for name in PROFILES[:-1]] + [_load_profile(scenario.load)]
    for index, profile in enumerate(profiles):
        missing = math.nan if index < len(PROFILES) - 1 else 0.0
        rows = np.array([[0.0, missing]]) if profile is None else profile_points(profile, scenario.tick_s)
        record = p["profiles"][index]
        record["start"], record["count"] = start, len(rows)
        record["linear"] = profile is not None and profile.shape == "linear"
        start += rows.size
        points.append(rows.ravel())
    return np.concatenate(points)


def _fill_clock(record, scenario):
    run = scenario.run
    record["tick_s"] = scenario.tick_s
    record["solver_step_s"] = scenario.tick_s / run.substeps
    record["sample_shift_s"] = scenario.sensors.current.sample_shift_s
    record["ticks_per_update"] = 1 if scenario.inverter.update == "double" else 2
    record["delay_updates"] = scenario.controller.delay_updates
    record["record_every"], record["seed"] = scenario.record_every, run.seed


def _scopes(scenario):
    scopes = np.zeros(max(1, len(scenario.scope)), SCOPE)
    first = 0
    for record, scope in zip(scopes, scenario.scope, strict=False):
        count = max(1, math.floor((min(scope.to_s, scenario.ticks * scenario.tick_s) - scope.from_s) / scope.step_s + 1e-9))
        record["from_s"], record["step_s"], record["first"], record["count"] = scope.from_s, scope.step_s, first, count
        first += count
    return scopes, np.full((max(1, first), len(SCOPE_CHANNELS)), math.nan)


def _flux_scale(machine, table, record):
    if machine.kind == "flux_map":
        data = machine.map_data
        return float(max(np.abs(data.psi_d_Wb).max(), np.abs(data.psi_q_Wb).max()))
    largest = max(machine.inductance_d_H, machine.inductance_q_H)
    return magnet_flux_Wb(machine) + largest * machine.max_current_A


def build_parameters(scenario):
    """(scenario) => (BENCH array of one, flat table, profile points, SCOPE array, scope samples)."""
    params = np.zeros(1, BENCH)
    p = params[0]
    table = fill_machine(p["machine"], scenario.machine)
    _fill_shaft(p["shaft"], scenario.load)
    _fill_link(p["link"], scenario.supply, scenario.inverter)
    _fill_inverter(p["inverter"], scenario.inverter, scenario.machine, scenario.tick_s)
    _fill_sensors(p, scenario.sensors, scenario.machine)
    _fill_clock(p["clock"], scenario)
    points = _fill_profiles(p, scenario)
    scopes, samples = _scopes(scenario)
    p["scopes"] = len(scenario.scope)
    p["winding_degC"] = scenario.machine.winding_temperature_degC
    devices = scenario.inverter.devices
    p["junction_degC"] = devices.junction_degC if devices is not None else 25.0
    p["psi_limit_Wb"] = PSI_LIMIT * _flux_scale(scenario.machine, table, p["machine"])
    return params, table, points, scopes, samples


def build_state(scenario, params, table):
    """(scenario, parameters) => STATE array of one, at tick 0."""
    states = np.zeros(1, STATE)
    s, p = states[0], params[0]
    initial = scenario.initial
    psi_d, psi_q = fluxes_of(params, table, initial.id_A, initial.iq_A)
    plant = s["plant"]
    plant["psi_d"], plant["psi_q"] = psi_d, psi_q
    angle = math.radians(initial.angle_electrical_deg) / scenario.machine.pole_pairs
    plant["theta"] = angle % (2.0 * math.pi)
    speed_rpm = initial.speed_rpm
    if scenario.load.kind == "rig":
        speed_rpm = scenario.load.speed_rpm.at(0.0)
    elif scenario.load.kind == "locked":
        speed_rpm = 0.0
    plant["omega"] = speed_rpm * math.pi / 30.0
    plant["link_V"] = scenario.supply.voltage_V
    s["drive"]["open_leg"] = -1
    s["pending"] = 0.5
    s["duties"] = 0.5
    s["map_tick"] = -1
    legs = s["legs"]
    legs["command"], legs["gate"], legs["edge_s"], legs["gate_on_s"] = 1, 1, NEVER, NEVER
    sensors = s["sensors"]
    sensors["filtered_d_A"], sensors["filtered_q_A"] = initial.id_A, initial.iq_A
    if p["position"]["kind"] == RESOLVER:
        sensors["tracked_rad"], sensors["tracked_rad_s"] = _settled_tracking(p["position"], plant)
    return states


def _settled_tracking(position, plant):
    """The tracking loop starts locked on what the channels show, at the shaft's speed."""
    angle = position["pole_pairs"] * plant["theta"]
    channel_sin = (1.0 + position["amplitude_imbalance"]) * math.sin(angle) + position["offset_sin"]
    channel_cos = (
        math.cos(angle) * position["cos_quadrature"] - math.sin(angle) * position["sin_quadrature"] + position["offset_cos"]
    )
    shown = math.atan2(channel_sin, channel_cos)
    shown += 2.0 * math.pi * round((angle - shown) / (2.0 * math.pi))
    return shown, position["pole_pairs"] * plant["omega"]


def fluxes_of(params, table, id_A, iq_A):
    """(currents [A]) => flux linkages [Wb] of the bench's machine, by the kernel's own law without compiling anything."""
    machine = params[0]["machine"]
    if machine["use_map"]:
        from simcore.loop.shims import machine_fluxes

        return machine_fluxes(params, table, id_A, iq_A)
    return machine["inductance_d_H"] * id_A + machine["magnet_flux_Wb"], machine["inductance_q_H"] * iq_A
