"""The monitor's record of a bench, filled from [safety]."""

import math

import numpy as np

from simcore.loop.fill_plant import fill_machine
from simcore.safety.monitor_records import (
    CHECKS,
    GATES_OFF,
    HARDWARE,
    RAMP_DOWN,
    REACTIONS,
    RESTART_RULES,
    SAFE_STATE,
    SHORT_HIGH,
    SHORT_LOW,
)
from simcore.scenario.controller import Commands
from simcore.scenario.safety import Safety
from simcore.scenario.safety_limits import choice_rpm, full_scales, greatest_torque_Nm, limits

# Checks that leave current, angle and link voltage undoubted, so that a current can still be led.
TRUSTING = (
    "overspeed", "link_overvoltage", "link_discharge", "torque_request", "winding_temperature", "junction_temperature",
    "temperature_range", "command_timeout", "command_implausible", "update_overrun",
)  # fmt: skip
AFTER_RAMP = {"hold": RAMP_DOWN, "gates_off": GATES_OFF, "safe_state": SAFE_STATE}
SIGN_BAND_SHARE = 0.1 / 7.0179
EMF_RATIO = 2.0  # electrical speed over the model's least rate from which an angle is seen in the EMF
RAD_S = math.pi / 30.0


def fill_safety(record, scenario, update_s, table):
    """(record, scenario, update period [s], flat table of the plant's machine) => parameters filled, the table with the
    monitor's own map behind it where it believes in another one.  Nothing without [safety]."""
    safety = scenario.safety
    if safety is None:
        return table
    made = (scenario.machine, scenario.inverter, scenario.supply, scenario.sensors)
    found = limits(safety, *made)
    record["active"] = bool(found)
    record["update_s"], record["delay_updates"] = update_s, scenario.controller.delay_updates
    for name, (limit, low) in found.items():
        check, own = safety.check(name), record["checks"][CHECKS.index(name)]
        own["on"], own["limit"], own["low"] = 1, limit, low
        own["samples"] = samples(getattr(check, "debounce_s", 0.0), scenario.tick_s if name in HARDWARE else update_s)
        own["shaped"] = safety.active_short.entry == "shaped" and name in TRUSTING
        own["reaction"], own["latching"] = REACTIONS.index(check.reaction), check.latching and check.reaction != "derate"
    _fill_model(record, scenario, update_s)
    _fill_drive(record, scenario, update_s)
    _fill_reactions(record, scenario, update_s)
    return _fill_belief(record["machine"], scenario, table)


def samples(debounce_s, step_s):
    """(debounce, time between samples) => samples beyond the limit until it trips, the first and those until then."""
    return 1 + math.ceil(debounce_s / step_s - 1e-9)


def _table(safety, name):
    """A check's table; its defaults where the check is not made, so that every field has a value."""
    if getattr(safety, name) is not None:
        return getattr(safety, name)
    given = {"opened_at_s": 0.0} if name == "link_discharge" else {}
    return getattr(Safety.model_validate({name: given}), name)


def _fill_belief(record, scenario, table):
    own = fill_machine(record, scenario.controller_machine)
    if scenario.controller_machine is scenario.machine or not record["use_map"]:
        return table
    record["map_offset"] = len(table)
    return np.concatenate([table, own])


def _fill_model(record, scenario, update_s):
    """What the model of the currents, and what looks at angle and speed, go by."""
    safety, machine, inverter = scenario.safety, scenario.controller_machine, scenario.controller_inverter
    record["dead_share"] = inverter.dead_time_s * inverter.switching_frequency_Hz
    devices = inverter.devices
    if devices is not None:
        at, diode = devices.junction_degC, devices.diode
        if devices.kind == "mosfet":
            record["drop_ohm"] = devices.on_resistance_ohm.at(at)
        else:
            both = [(devices.threshold_V.at(at), devices.slope_ohm.at(at))]
            both += [(diode.threshold_V.at(at), diode.slope_ohm.at(at))] if diode is not None else []
            record["drop_V"], record["drop_ohm"] = np.mean(both, axis=0)
    record["sign_band_A"] = SIGN_BAND_SHARE * machine.max_current_A
    stuck, plausible = _table(safety, "current_stuck"), _table(safety, "current_plausibility")
    record["stuck_A"] = 1e-3 * machine.max_current_A if stuck.band_A is None else stuck.band_A
    record["model_rad_s"] = 2.0 * math.pi * plausible.model_Hz
    emf, power = _table(safety, "angle_emf"), _table(safety, "torque_power")
    slowest = 0.1 * machine.max_speed_rpm
    emf_rpm = slowest if emf.above_rpm is None else emf.above_rpm
    record["emf_above_rad_s"] = max(EMF_RATIO * record["model_rad_s"], emf_rpm * RAD_S * machine.pole_pairs)
    record["power_above_rad_s"] = (slowest if power.above_rpm is None else power.above_rpm) * RAD_S
    record["power_share"] = -math.expm1(-update_s / power.filter_s)
    record["slow_share"] = -math.expm1(-update_s / _table(safety, "speed_jump").follower_s)


def _fill_drive(record, scenario, update_s):
    """What torque, link and commands are judged by."""
    safety, machine = scenario.safety, scenario.controller_machine
    record["torque_fall_Nm"] = greatest_torque_Nm(machine) * update_s / _table(safety, "torque_request").fall_s
    discharge = _table(safety, "link_discharge")
    record["discharge_from"] = round((discharge.opened_at_s + discharge.within_s) / update_s)
    full = full_scales(machine, scenario.supply)
    for index, name in enumerate(Commands.model_fields):
        record["commands_used"][index] = getattr(scenario.commands, name) is not None
        record["commands_full"][index] = max(full[name], 1e-9)


def _fill_reactions(record, scenario, update_s):
    safety = scenario.safety
    record["derated_share"] = safety.derating.torque_share
    record["share_step"] = min(1.0, update_s / safety.ramp_down.time_s)
    record["after_ramp"] = AFTER_RAMP[safety.ramp_down.then]
    record["short_side"] = SHORT_LOW if safety.safe_state.side == "low" else SHORT_HIGH
    record["short_above_rpm"], record["gates_below_rpm"] = choice_rpm(safety, scenario.machine, scenario.supply)
    record["lead_rad_s"] = 2.0 * math.pi * safety.active_short.bandwidth_Hz
    record["lead_updates"] = max(1, round(safety.active_short.shaping_s / update_s))
    record["restart"] = RESTART_RULES.index(safety.restart.rule)
    record["restart_updates"] = math.ceil(safety.restart.after_s / update_s - 1e-9)
    record["restart_below_rpm"] = safety.restart.below_rpm


def begin_monitor(monitor):
    """(state record) => nothing tripped, the whole request."""
    monitor["share"] = monitor["wanted_share"] = 1.0
    monitor["checks"]["tick"] = -1
    monitor["least_id_tick"] = -1
