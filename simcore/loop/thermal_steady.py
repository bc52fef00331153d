"""Thermal steady state: where constant mean losses would bring every temperature, and a run that starts from there."""

import math

import numpy as np

from simcore.loop.fill_power import follow_devices, follow_machine, hold_losses

KEPT = ("switch_mode", "diode_mode", "switch_degC", "diode_degC", "sink_K", "winding_degC", "iron_degC", "magnet_degC")
WINDOWS = 24  # most windows on the way to the fixed point
CLOSE_K, FAR_K = 0.02, 0.5  # two windows that differ less have met; more is told
WINDOW_S, LEAD_S = 0.05, 0.15


def forget_losses(state):
    """(STATE record) => a new window of losses begins."""
    ps = state["power"]
    for name in ("window_switch_J", "window_diode_J", "window_copper_J", "window_iron_J"):
        ps[name] = 0.0


def jump_to_steady(params, states, window_s):
    """(BENCH and STATE arrays of one, time since forget_losses [s]) => temperatures put where the window's mean losses would
    hold them; returns the largest change [K].  A new window begins.

    Losses follow temperature, so that a few windows lead to the fixed point of both.
    """
    p, s = params[0], states[0]
    power, ps = p["power"], s["power"]
    before = _all(ps)
    if power["heat"]:
        _devices(power, ps, ps["window_switch_J"] / window_s, ps["window_diode_J"] / window_s)
        p["junction_degC"] = max(np.max(ps["switch_degC"]), np.max(ps["diode_degC"]))
    if power["machine_heat"]:
        _machine(power, ps, float(ps["window_copper_J"]) / window_s, float(ps["window_iron_J"]) / window_s)
        flux_before = float(p["machine"]["magnet_flux_Wb"])
        follow_machine(p, ps)
        p["winding_degC"], p["magnet_degC"] = ps["winding_degC"], ps["magnet_degC"]
        if power["magnet_flux_Wb"] > 0.0:
            psi_d = float(s["plant"]["psi_d"])
            after = psi_d - float(p["machine"]["magnet_flux_Wb"])
            ps["magnet_J"] += 0.75 * (after**2 - (psi_d - flux_before) ** 2) / p["machine"]["inductance_d_H"]
    if s["drive"]["own_devices"]:
        follow_devices(p, s)
    forget_losses(s)
    ps["hottest_degC"] = p["junction_degC"]
    return float(np.max(np.abs(_all(ps) - before)))


def begin_warm(params, states, start):
    """(BENCH and STATE arrays of one at tick 0, thermal fields) => the run begins at these temperatures."""
    p, s = params[0], states[0]
    ps = s["power"]
    for name, value in start.items():
        if name in KEPT:
            ps[name] = value
    if p["power"]["heat"]:
        p["junction_degC"] = ps["hottest_degC"] = max(np.max(ps["switch_degC"]), np.max(ps["diode_degC"]))
    if p["power"]["machine_heat"]:
        p["winding_degC"], p["magnet_degC"] = ps["winding_degC"], ps["magnet_degC"]
        flux_Wb = float(p["machine"]["magnet_flux_Wb"])
        follow_machine(p, ps)
        s["plant"]["psi_d"] += float(p["machine"]["magnet_flux_Wb"]) - flux_Wb
    if s["drive"]["own_devices"]:
        follow_devices(p, s)
    s["sensors"]["winding_degC"], s["sensors"]["junction_degC"] = p["winding_degC"], p["junction_degC"]


def _all(ps):
    return np.concatenate([ps["switch_degC"], ps["diode_degC"], [ps["winding_degC"], ps["iron_degC"], ps["magnet_degC"]]])


def _devices(power, ps, switch_W, diode_W):
    if power["one_chip"]:
        switch_W, diode_W = switch_W + diode_W, np.zeros(6)
    heat_W = float(np.sum(switch_W) + np.sum(diode_W))
    n = int(power["sink_count"])
    for k in range(n):
        ps["sink_K"][k] = heat_W * float(np.sum(1.0 / power["sink_W_per_K"][k:n]))
    hold_losses(power, ps, switch_W, diode_W, float(ps["sink_K"][0]) if n else 0.0)


def _machine(power, ps, copper_W, iron_W):
    ps["iron_degC"] = power["machine_coolant_degC"] + (copper_W + iron_W) / power["iron_to_coolant_W_per_K"]
    ps["winding_degC"] = ps["iron_degC"] + copper_W / power["winding_to_iron_W_per_K"]
    ps["magnet_degC"] = ps["iron_degC"] + power["magnet_share"] * iron_W / power["magnet_to_iron_W_per_K"]


def wanted_steady(scenario):
    """True where a [heat] table of the scenario asks for the thermal steady state as its start."""
    return bool(_asked(scenario))


def steady_start(scenario, run):
    """(scenario, run(scenario, start, lead_ticks) => its Member after the last tick) => thermal fields of the steady state.

    The steady state of the operating point that the first value of every command and of the load would hold, of those parts
    whose [heat] asks for it.  Windows of whole electrical periods near WINDOW_S, each from where the last one led; where that
    swings, as with derating, the way is halved.  Its entry "told" is a sentence where the windows did not meet, else "".
    """
    start, step, before = None, 1.0, None
    held, kept = _held(scenario), _asked(scenario)
    change_K = math.inf
    for _ in range(WINDOWS):
        lead = round(LEAD_S / held.tick_s)
        member = run(held, start, lead)
        window_s = (int(member.states["tick"][0]) - lead) * held.tick_s
        if window_s <= 0.0:
            break
        jump_to_steady(member.params, member.states, window_s)
        found = {name: np.array(member.states[0]["power"][name]) for name in kept}
        if start is not None:
            way = np.concatenate([np.ravel(found[name] - start[name]) for name in kept if name.endswith("_degC")])
            change_K = float(np.max(np.abs(way)))
            if before is not None and float(way @ before) < 0.0:
                step *= 0.5
            found = {name: start[name] + step * (found[name] - start[name]) for name in kept}
            before = way
        start = found
        if change_K < CLOSE_K:
            break
    told = ""
    if change_K >= FAR_K:
        told = f"The thermal steady state was not found: its last window still moved a temperature by {change_K:.3g} K."
    return None if start is None else start | {"told": told}


def _asked(scenario):
    """Names in KEPT of the parts whose heat begins steady."""
    inverter, machine = scenario.inverter.heat, scenario.machine.heat
    of_machine = ("winding_degC", "iron_degC", "magnet_degC")
    steady_inverter = inverter is not None and inverter.initial == "steady"
    steady_machine = machine is not None and machine.initial == "steady"
    return tuple(name for name in KEPT if (steady_machine if name in of_machine else steady_inverter))


def _held(scenario):
    """The scenario with every profile at its first value, as long as settling and one window need, with nothing to judge."""
    from simcore.scenario.reader import scenario_from

    document = {key: value for key, value in scenario.resolved.items() if key not in ("expect", "scope", "fault", "template")}
    document["commands"] = {
        name: getattr(scenario.commands, name).values[0] for name in scenario.resolved.get("commands", {})
    }
    load = dict(document["load"])
    for name in ("speed_rpm", "torque_Nm", "grade_percent"):
        profile = getattr(scenario.load, name, None)
        if name in load and profile is not None:
            load[name] = profile.values[0]
    document["load"] = load
    for room in ("machine", "inverter"):
        heat = document.get(room, {}).get("heat")
        if isinstance(heat, dict) and heat.get("initial") == "steady":
            document[room] = document[room] | {"heat": heat | {"initial": "coolant"}}
    document["run"] = document["run"] | {"duration_s": LEAD_S + window_length_s(scenario)}
    return scenario_from(document, path=str(scenario.path))


def window_length_s(scenario, least_s=WINDOW_S, most_s=1.0):
    """(scenario) => whole electrical periods of its first speed, at least about least_s and at most most_s [s]."""
    speed = scenario.load.speed_rpm.values[0] if scenario.load.kind == "rig" else scenario.initial.speed_rpm
    period_s = 60.0 / (abs(speed) * scenario.machine.pole_pairs) if speed else math.inf
    if period_s > most_s:
        return least_s
    return math.ceil(least_s / period_s) * period_s
