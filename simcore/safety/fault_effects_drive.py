"""What faults of controller, supply, machine and shaft do to the run's records."""

import math

from simcore.safety.fault_effect import Effect, fixed, param
from simcore.safety.fault_places import Change, Write


def _late(fault, bench):
    return [param("clock", "delay_updates", "add", fault.updates)]


def _frozen(fault, bench):
    return [fixed("clock", "frozen", 1)]


def _command(bench, name, value):
    """The profile's value is written over and no longer renewed."""
    index = bench.profiles.index(name)
    first = float(getattr(bench.scenario.commands, name).values[0])
    held = Change(("states", "profile_now", index), "set", value, first)
    return [fixed("profiles", index, "count", 0), held]


def _command_lost(fault, bench):
    lost = fixed("profiles", bench.profiles.index(fault.command), "lost", 1)
    if fault.reads == "zero":
        return [lost, *_command(bench, fault.command, 0.0)]
    profile, tick_s = getattr(bench.scenario.commands, fault.command), bench.scenario.tick_s
    per_update = int(bench.p["clock"]["ticks_per_update"])

    def last_received(onset):
        last = max(onset - per_update, 0)
        if profile.shape == "linear":
            return profile.at(last * tick_s)
        reached = [value for time, value in zip(profile.times, profile.values, strict=True) if round(time / tick_s) <= last]
        return reached[-1] if reached else profile.values[0]

    return [lost, *_command(bench, fault.command, last_received)]


def _command_implausible(fault, bench):
    return _command(bench, fault.command, fault.value)


def _dip(fault, bench):
    source = Change(("states", "drive", "source_V"), "times", fault.factor)
    if bench.p["link"]["line_rad_s"] > 0.0:
        return [param("link", "line_peak_V", "times", fault.factor)]
    if bench.p["link"]["kind"] == 0:
        return [source, Change(("states", "plant", "link_V"), "times", fault.factor)]
    return [source]


def _contactor(fault, bench):
    """No current, whatever the voltages: the diodes of a rectifier are not asked meanwhile."""
    cut = Change(("states", "drive", "blocked"), "set", 1)
    return Effect((fixed("link", "one_way", 0), cut), (Write(("states", "plant", "supply_A"), "set", 0.0),))


def _link_short(fault, bench):
    conductance = 1.0 / fault.resistance_ohm
    # What lies across the link now is renewed only while the link is looked at before each step.
    now = Change(("states", "drive", "chopper_S"), "add", conductance)
    return [param("link", "short_S", "add", conductance), fixed("link", "active", 1), now]


def _demagnetised(fault, bench):
    """Where heat is modelled the flux of now follows from the one at the reference temperature, and is not known before."""
    kept = 1.0 - 0.01 * fault.lost_percent
    harmonics = [param("machine", "emf_flux_Wb", k, "times", kept) for k in range(int(bench.p["machine"]["emf_count"]))]
    if bench.p["machine"]["use_map"]:
        return [param("machine", "magnet_flux_Wb", "add", (kept - 1.0) * bench.magnets_Wb), *harmonics]
    if bench.p["power"]["machine_heat"]:
        now = Write(("params", "machine", "magnet_flux_Wb"), "times", kept)
        return Effect((param("power", "magnet_flux_Wb", "times", kept), *harmonics), (now,))
    return [param("machine", "magnet_flux_Wb", "times", kept), *harmonics]


def _coolant_lost(fault, bench):
    """Less heat passes from the last solid node to the coolant."""
    left = 0.01 * fault.left_percent
    if fault.part == "machine":
        return [param("power", "iron_to_coolant_W_per_K", "times", left)]
    return [param("power", "sink_W_per_K", int(bench.p["power"]["sink_count"]) - 1, "times", left)]


def _shaft_locked(fault, bench):
    """Dry friction that nothing breaks; it acts on the load's side of an elastic shaft."""
    speed = "omega_load" if bench.scenario.load.kind == "two_mass" else "omega"
    held = (fixed("shaft", "stiction_Nm", math.inf),)
    return Effect(held, (Write(("states", "plant", speed), "set", 0.0), Write(("states", "plant", "stuck"), "set", 1)))


def _shaft_broken(fault, bench):
    return [fixed("shaft", "stiffness_Nm_per_rad", 0.0), fixed("shaft", "damping_Nm_s", 0.0)]


def _load_shock(fault, bench):
    return [param("shaft", "shock_Nm", "add", fault.value_Nm)]


DRIVE_EFFECTS = {
    "controller_late": _late,
    "controller_frozen": _frozen,
    "command_lost": _command_lost,
    "command_implausible": _command_implausible,
    "supply_dip": _dip,
    "contactor_open": _contactor,
    "link_short": _link_short,
    "magnet_demagnetised": _demagnetised,
    "coolant_lost": _coolant_lost,
    "shaft_locked": _shaft_locked,
    "shaft_broken": _shaft_broken,
    "load_torque_shock": _load_shock,
}
