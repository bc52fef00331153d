"""A checked scenario => the bench's records: parameters, state, tables, profiles, scopes."""

import math

import numpy as np

from simcore.inverter.records import NEVER
from simcore.loop.fill_plant import fill_link, fill_machine, fill_shaft
from simcore.loop.fill_power import begin_power, fill_power
from simcore.loop.fill_safety import begin_monitor, fill_safety
from simcore.loop.fill_sensors import fill_sensors
from simcore.loop.records import BENCH, PROFILES, SCOPE, SCOPE_CHANNELS, STATE
from simcore.plant.temperature import magnet_flux_Wb
from simcore.scenario.load import GRAVITY_m_per_s2
from simcore.sensing.records import ENCODER, RESOLVER

SIGN_BAND_SHARE = 0.1 / 7.0179  # i / sqrt(i^2 + band^2) reaches 0.99 at 7.0179 bands, put at 10 % of max_current_A
PSI_LIMIT = 1e3  # flux linkage over the machine's own scale beyond which a solution counts as diverged


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


def profile_points(profile, tick_s):
    """(profile) => array (points, 2) of tick and value: steps act from the rounded tick, ramps between exact times."""
    ticks = [time / tick_s if profile.shape == "linear" else float(round(time / tick_s)) for time in profile.times]
    return np.column_stack([ticks, profile.values])


def _load_profile(load):
    if load.kind == "rig":
        return load.speed_rpm
    if load.kind == "vehicle":
        weight = load.mass_kg * GRAVITY_m_per_s2 * load.arm_m
        grade = load.grade_percent
        climbing = tuple(weight * math.sin(math.atan(0.01 * value)) for value in grade.values)
        return type(grade)(grade.times, climbing, grade.shape)
    return load.torque_Nm if load.kind in ("free", "two_mass") else None


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
    supply = scenario.supply
    if supply.kind == "battery":
        curve = supply.open_circuit_voltage_V
        link = p["link"]
        link["curve_start"], link["curve_count"] = start, len(curve.values)
        points.append(np.column_stack([curve.degC, curve.values]).ravel())
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
    fill_shaft(p["shaft"], scenario.load)
    fill_link(p["link"], scenario.supply, scenario.inverter)
    _fill_inverter(p["inverter"], scenario.inverter, scenario.machine, scenario.tick_s)
    fill_sensors(p, scenario.sensors, scenario.machine)
    _fill_clock(p["clock"], scenario)
    table = fill_safety(p["safety"], scenario, p["clock"]["tick_s"] * p["clock"]["ticks_per_update"], table)
    points = _fill_profiles(p, scenario)
    scopes, samples = _scopes(scenario)
    p["scopes"] = len(scenario.scope)
    p["winding_degC"] = scenario.machine.winding_temperature_degC
    devices = scenario.inverter.devices
    p["junction_degC"] = devices.junction_degC if devices is not None else 25.0
    table = fill_power(p, scenario, table)
    p["psi_limit_Wb"] = PSI_LIMIT * _flux_scale(scenario.machine, table, p["machine"])
    return params, table, points, scopes, samples


def build_state(scenario, params, table):
    """(scenario, parameters) => STATE array of one, at tick 0."""
    states = np.zeros(1, STATE)
    s, p = states[0], params[0]
    initial = scenario.initial
    plant = s["plant"]
    angle = math.radians(initial.angle_electrical_deg) / scenario.machine.pole_pairs
    plant["theta"] = angle % (2.0 * math.pi)
    speed_rpm = initial.speed_rpm
    if scenario.load.kind == "rig":
        speed_rpm = scenario.load.speed_rpm.at(0.0)
    elif scenario.load.kind == "locked":
        speed_rpm = 0.0
    plant["omega"] = plant["omega_load"] = speed_rpm * math.pi / 30.0
    plant["psi_d"], plant["psi_q"] = _initial_fluxes(params, table, initial, plant)
    plant["link_V"] = s["drive"]["source_V"] = scenario.supply.voltage_V
    if scenario.supply.kind == "battery":
        plant["charge"] = scenario.supply.state_of_charge
    s["drive"]["open_leg"] = -1
    s["pending"] = 0.5
    s["gates_on"] = s["pending_gates"] = 1
    s["duties"] = 0.5
    s["map_tick"] = -1
    begin_monitor(s["monitor"])
    legs = s["legs"]
    legs["command"], legs["gate"], legs["edge_s"], legs["gate_on_s"] = 1, 1, NEVER, NEVER
    legs["by_edges"] = p["inverter"]["switched"]
    begin_power(s, p, scenario)
    sensors = s["sensors"]
    sensors["filtered_d_A"], sensors["filtered_q_A"] = initial.id_A, initial.iq_A
    sensors["winding_degC"], sensors["junction_degC"] = p["winding_degC"], p["junction_degC"]
    if p["position"]["kind"] == ENCODER:
        from simcore.loop.shims import begin_encoder

        begin_encoder(params, states)
    if p["position"]["kind"] == RESOLVER:
        sensors["tracked_rad"], sensors["tracked_rad_s"] = _settled_tracking(p["position"], plant)
    return states


def _initial_fluxes(params, table, initial, plant):
    """Flux linkages at which the terminals carry the initial currents; a few passes where the iron takes part of them."""
    machine = params[0]["machine"]
    id_A, iq_A = initial.id_A, initial.iq_A
    if not machine["detail"]:
        return fluxes_of(params, table, id_A, iq_A)
    from simcore.loop.shims import machine_detail

    delta_d, delta_q, g = machine_detail(params, plant["theta"], machine["pole_pairs"] * plant["omega"])
    psi_d = psi_q = 0.0
    for _ in range(50):
        psi_d, psi_q = fluxes_of(params, table, id_A, iq_A)
        psi_d, psi_q = psi_d + delta_d, psi_q + delta_q
        id_A, iq_A = initial.id_A + g * psi_q, initial.iq_A - g * psi_d
    return psi_d, psi_q


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
