"""Limits of temperature against coolant and each other; steps of the heat against time constants."""

from simcore.scenario.checking import needs, short, tick_of


@needs("inverter")
def junctions(report, inverter):
    heat, devices = inverter.heat, inverter.devices
    if heat is None:
        return
    at = ("inverter", "heat")
    if devices is None:
        report.problem(at, "has no devices that could be warm", "Give [inverter.devices] with their drops")
        return
    if heat.diode is None and devices.kind == "igbt":
        rule = "is missing; beside an IGBT the diode is a chip of its own"
        report.problem((*at, "diode"), rule, "Give diode = { foster = [[K/W, s], ...] }")
    limit = devices.max_junction_degC
    _limits(report, ("inverter", "devices", "max_junction_degC"), limit, heat.coolant_degC)
    name, derate = "devices.max_junction_degC", inverter.derate_from_degC
    _derating(report, (*at, "derate_from_degC"), derate, limit, name, heat.coolant_degC)
    if isinstance(heat.initial, float) and heat.initial > limit:
        report.finding((*at, "initial"), f"is above devices.max_junction_degC = {short(limit)} degC")


@needs("inverter")
def junction_steps(report, inverter):
    heat = inverter.heat
    if heat is None:
        return
    constants = {"switch": heat.switch.shortest_s}
    if heat.diode is not None:
        constants["diode"] = heat.diode.shortest_s
    if heat.sink is not None:
        constants["sink"] = _shortest_of_sink(heat)
    name = min(constants, key=constants.get)
    at = ("inverter", "heat", "ticks_per_step")
    _step(report, at, heat.ticks_per_step, tick_of(inverter), constants[name], f"the {name}'s network")


@needs("machine")
def machine_limits(report, machine):
    heat = machine.heat
    if heat is None:
        return
    at = ("machine", "heat")
    for part in ("winding", "magnet"):
        limit, derate = getattr(heat, f"max_{part}_degC"), getattr(heat, f"derate_from_{part}_degC")
        _limits(report, (*at, f"max_{part}_degC"), limit, heat.coolant_degC)
        _derating(report, (*at, f"derate_from_{part}_degC"), derate, limit, f"max_{part}_degC", heat.coolant_degC)
    if heat.magnet_share > 0.0 and machine.iron_loss is None:
        report.finding((*at, "magnet_share"), "has no effect: the machine has no iron_loss")


@needs("machine", "inverter")
def machine_steps(report, machine, inverter):
    heat = machine.heat
    if heat is not None:
        at = ("machine", "heat", "ticks_per_step")
        _step(report, at, heat.ticks_per_step, tick_of(inverter), heat.shortest_s, "the machine's nodes")


def _shortest_of_sink(heat):
    """Shortest of the shared path's nodes on its own [s]; six switches and six diodes lead into the first."""
    devices = [heat.switch] if heat.diode is None else [heat.switch, heat.diode]
    into = [6.0 * sum(1.0 / network.cauer[-1][1] for network in devices)]
    into += [1.0 / resistance for _, resistance in heat.sink_at_flow]
    return min(capacity / (into[k] + into[k + 1]) for k, (capacity, _) in enumerate(heat.sink_at_flow))


def _limits(report, where, limit, coolant):
    if limit <= coolant:
        told = f"must be above the coolant's {short(coolant)} (degC), or the limit stands before anything is warm"
        report.problem(where, told, "Raise it, or lower coolant_degC")


def _derating(report, where, derate, limit, name, coolant):
    if derate >= limit:
        report.problem(where, f"must be below {name} = {short(limit)} (degC)", "Torque falls from it to zero at the limit")
    elif derate <= coolant < limit:
        told = f"{short(derate)} degC is not above the coolant's {short(coolant)} (degC): torque would never rest at full"
        report.problem(where, told, "Raise it, or lower coolant_degC")


def _step(report, where, ticks, tick_s, constant_s, what):
    ratio = ticks * tick_s / constant_s
    if ratio > 1.0:
        longest = int(constant_s / tick_s)
        remedy = f"Set ticks_per_step = {longest} or less" if longest >= 1 else "Leave the shortest stage out of the fit"
        steps = f"makes steps of {short(ticks * tick_s)} s, {short(ratio)} times the shortest time constant of {what}"
        report.problem(where, f"{steps}, {short(constant_s)} (s)", remedy)


CHECKS = (junctions, junction_steps, machine_limits, machine_steps)
