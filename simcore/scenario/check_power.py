"""Electrical time constants against what is plausible and against the solver's step; ranges of sensors."""

import math

from simcore.scenario.checking import needs, short, tick_of
from simcore.scenario.errors import NO_VALUE, place, show
from simcore.scenario.machine import ConstantsMachine

SHORTEST_L_OVER_R_S = 20e-6
LONGEST_L_OVER_R_S = 100.0
SLIPPED_INDUCTANCE_H = 0.05  # a smaller one may stand with hardly any resistance, to study a lossless machine
# RK4 is stable to 2.78 on the negative real axis.
STABLE = 2.5
MOST_SUBSTEPS = 1000


@needs("machine")
def time_constants(report, machine, at=("machine",)):
    """L/R of microseconds or minutes is a slip of the unit, told at the key that was written last."""
    resistance = machine.stator_resistance_ohm
    if resistance == 0.0:
        return
    told = set()
    for name, inductance in _inductances(machine):
        tau = inductance / resistance
        if SHORTEST_L_OVER_R_S <= tau <= 2.0:
            continue
        where, ratio = _ratio(report, at, name, inductance, resistance)
        if where in told:
            continue
        # One slip is told once, also where it spoils the ratio of both axes.
        told.add(where)
        slip = "A slip of the unit? 0.2 mH is 0.2e-3 H, 10 mohm is 0.010 ohm"
        if tau < SHORTEST_L_OVER_R_S:
            report.problem(where, f"{ratio} is below {SHORTEST_L_OVER_R_S:g} s, too short for such a machine", slip)
        elif tau > LONGEST_L_OVER_R_S and inductance >= SLIPPED_INDUCTANCE_H:
            report.problem(where, f"{ratio} is above {LONGEST_L_OVER_R_S:g} s, too long for such a machine", slip)
        else:
            report.finding(where, f"{ratio} is unusually long; check the units")


def _ratio(report, at, name, inductance, resistance):
    """(machine's location, inductance's key) => the key to blame, and L/R in words with the file of the other key."""
    there = [(*at, key) for key in (name, "stator_resistance_ohm")]
    # What a controller believes lies over the machine; keys that it leaves out are the machine's.
    there = [here if report.value(here) is not NO_VALUE else ("machine", here[-1]) for here in there]
    where = report.latest(*([here for here in there if here[0] == at[0]] or there))
    other = there[1] if where == there[0] else there[0]
    ratio = f"L/R = {short(inductance)} H / {short(resistance)} ohm = {short(inductance / resistance)} (s)"
    if report.file_of(other) != report.file_of(where) or where[0] != other[0]:
        ratio += f", with {place(other)} = {show(report.value(other))} of {report.file_of(other)},"
    return where, ratio


def _inductances(machine):
    if isinstance(machine, ConstantsMachine):
        return (("inductance_d_H", machine.inductance_d_H), ("inductance_q_H", machine.inductance_q_H))
    if machine.map_data is None:
        return ()
    l_d, l_q = machine.map_data.typical_inductances_H
    return (("flux_map", l_d), ("flux_map", l_q))


@needs("machine")
def magnet(report, machine):
    if isinstance(machine, ConstantsMachine):
        if machine.magnet_flux_Wb > 10.0:
            report.finding(("machine", "magnet_flux_Wb"), "is above 10 Wb; check that it is not in mWb")


def _would_do(rate, tick):
    """Substeps that bring rate x step to 1, as a remedy; '' where more than allowed."""
    wanted = rate * tick * (1 - 1e-9)
    return f"Set run.substeps = {math.ceil(wanted)}" if wanted <= MOST_SUBSTEPS else ""


def _inverse(time_s):
    return 1.0 / time_s if time_s > 1e-300 else math.inf


@needs("supply", "inverter", "run")
def link(report, supply, inverter, run):
    """Refuse links too fast for the solver; name the substeps that would do."""
    resistance, inductance, c = supply.resistance_ohm, supply.inductance_H, inverter.link_capacitance_F
    tick = tick_of(inverter)
    step = tick / run.substeps
    if resistance == 0.0 and inductance == 0.0:
        return
    if c == 0.0:
        key = "resistance_ohm" if resistance > 0.0 else "inductance_H"
        report.problem(
            ("supply", key),
            "a supply with resistance or inductance needs a link capacitor (inverter.link_capacitance_F is 0 F)",
            "Give inverter.link_capacitance_F, or set supply.resistance_ohm and inductance_H to 0 for a stiff link",
        )
        return
    rates = []
    if resistance > 0.0 and inductance == 0.0:
        rates.append((_inverse(resistance * c), 1.0, "step/(R C)", "resistance_ohm"))
    if inductance > 0.0:
        rates.append((_inverse(math.sqrt(inductance * c)), 1.0, "step/sqrt(L C)", "inductance_H"))
        # A large resistance makes the fast pole R/L.
        rates.append((resistance * _inverse(inductance), STABLE, "step R/L", "inductance_H"))
    for rate, limit, name, key in rates:
        if rate * step > limit * (1 + 1e-9):
            report.problem(
                ("supply", key),
                f"the link is too fast for the solver: {name} = {short(rate * step)} with C = {short(c)} F and a step "
                f"of {short(step)} s, above {limit:g}",
                _would_do(rate / limit, tick) or "Set supply.resistance_ohm and inductance_H to 0 for a stiff link",
            )
            return


@needs("machine", "inverter", "run")
def solver_step(report, machine, inverter, run):
    """Stator time constant and electrical angle against the solver's step."""
    tick = tick_of(inverter)
    step = tick / run.substeps
    r = machine.stator_resistance_ohm
    for name, inductance in _inductances(machine):
        # Shorter ones are a slip of the unit and told as such.
        if r * step > STABLE * inductance and inductance >= SHORTEST_L_OVER_R_S * r:
            where, ratio = _ratio(report, ("machine",), name, inductance, r)
            report.problem(
                where,
                f"{ratio} is too short for a solver step of {short(step)} s",
                _would_do(r / inductance / STABLE, tick) or "Raise inverter.switching_frequency_Hz",
            )
    advance = machine.pole_pairs * machine.max_speed_rpm * 2 * math.pi / 60 * step
    if advance > 0.3:
        wanted = math.ceil(advance * run.substeps / 0.3)
        report.finding(
            ("run", "substeps"),
            f"at max_speed_rpm the electrical angle advances {short(advance)} rad a solver step; below 0.3 rad with "
            f"substeps = {wanted}",
        )


@needs("load", "inverter", "run")
def shaft(report, load, inverter, run):
    if load.kind not in ("free", "two_mass"):
        return
    if load.stiction_Nm < load.coulomb_Nm:
        report.problem(
            ("load", "stiction_Nm"),
            f"must be at least coulomb_Nm = {short(load.coulomb_Nm)} (Nm)",
            "Break-away torque is not below the friction while turning; raise it or leave it out",
        )
    if load.kind == "two_mass":
        return
    tick = tick_of(inverter)
    step = tick / run.substeps
    rate = load.viscous_Nm_s / load.inertia_kg_m2
    if rate * step > STABLE:
        report.problem(
            ("load", "viscous_Nm_s"),
            f"inertia / friction = {short(1 / rate)} s is too short for a solver step of {short(step)} (s)",
            _would_do(rate / STABLE, tick) or "Check the units of inertia_kg_m2 and viscous_Nm_s",
        )


@needs("machine", "sensors", "supply")
def sensor_ranges(report, machine, sensors, supply):
    current, link_voltage = sensors.current, sensors.link_voltage
    if current.adc_bits and not current.range_A:
        report.problem(
            ("sensors", "current", "adc_bits"),
            "a converter needs its range",
            "Add range_A = ... to [sensors.current] (A)",
        )
    if link_voltage.adc_bits and not link_voltage.range_V:
        report.problem(
            ("sensors", "link_voltage", "adc_bits"),
            "a converter needs its range",
            "Add range_V = ... to [sensors.link_voltage] (V)",
        )
    if 0.0 < current.range_A < machine.max_current_A:
        report.finding(
            ("sensors", "current", "range_A"),
            f"is below machine.max_current_A = {short(machine.max_current_A)} A: the sensors clip before the limit",
        )
    if 0.0 < link_voltage.range_V < supply.voltage_V:
        report.finding(
            ("sensors", "link_voltage", "range_V"),
            f"is below supply.voltage_V = {short(supply.voltage_V)} V: the sensor clips",
        )


@needs("machine", "sensors")
def resolver(report, machine, sensors):
    position = sensors.position
    if position.kind == "resolver" and machine.pole_pairs % position.pole_pairs:
        divisors = [str(d) for d in range(1, machine.pole_pairs + 1) if machine.pole_pairs % d == 0]
        report.problem(
            ("sensors", "position", "pole_pairs"),
            f"must divide the machine's pole_pairs = {machine.pole_pairs}",
            f"Take one of {', '.join(divisors)}",
        )


CHECKS = (time_constants, magnet, link, solver_step, shaft, sensor_ranges, resolver)
