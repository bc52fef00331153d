"""Iron loss, harmonics, shafts, vehicle, battery, rectifier and chopper against what is possible and the solver's step."""

import math

from simcore.scenario.check_power import STABLE, _would_do
from simcore.scenario.checking import needs, short, tick_of


@needs("machine")
def iron_loss(report, machine, at=("machine",)):
    loss = machine.iron_loss
    if loss is None:
        return
    here = (*at, "iron_loss")
    if loss.no_load_W is not None:
        if loss.hysteresis_W or loss.eddy_W or loss.frequency_Hz:
            remedy = "Give either no_load_W, or frequency_Hz with its losses"
            report.problem(here, "gives no_load_W and a split as well", remedy)
        elif len(loss.no_load_W.degC) < 2 or loss.no_load_W.degC[0] <= 0.0:
            report.problem(
                (*here, "no_load_W"),
                "needs two or more points above 0 Hz to tell hysteresis from eddy currents",
                "Write it as [[50.0, 20.0], [200.0, 130.0]]",
            )
        else:
            from simcore.scenario.iron import separate

            if min(separate(loss.no_load_W)) < 0.0:
                report.problem(
                    (*here, "no_load_W"),
                    "separates into a negative share; the loss a hertz must not fall with frequency (W)",
                    "Check the points: hysteresis grows with f, eddy currents with f squared",
                )
    elif loss.frequency_Hz <= 0.0:
        report.problem((*here, "frequency_Hz"), "is missing (Hz)", "Give the electrical frequency at which the losses are told")
    if loss.flux_linkage_Wb is None and magnets_Wb(machine) <= 0.0:
        report.problem((*here, "flux_linkage_Wb"), "is missing; without magnets nothing else tells it (Wb)", "Give it")


def magnets_Wb(machine):
    """Flux linkage at no current [Wb]; 1 where a map could not be read."""
    if machine.kind == "constants":
        return machine.magnet_flux_Wb
    data = machine.map_data
    if data is None:
        return 1.0
    import numpy as np

    return float(data.psi_d_Wb[np.abs(data.id_A).argmin(), np.abs(data.iq_A).argmin()])


@needs("machine")
def emf_harmonics(report, machine, at=("machine",)):
    for k, harmonic in enumerate(machine.emf_harmonics):
        if harmonic.order % 3 == 0:
            report.problem(
                (*at, "emf_harmonics", k, "order"),
                "is a multiple of 3, which three phases without a neutral do not feel",
                "Leave it out; orders 5, 7, 11, 13 act",
            )


@needs("load", "inverter", "run")
def two_mass(report, load, inverter, run):
    if load.kind != "two_mass":
        return
    tick = tick_of(inverter)
    step = tick / run.substeps
    inverse = 1.0 / load.inertia_kg_m2 + 1.0 / load.load_inertia_kg_m2
    for key, rate, limit in (
        ("stiffness_Nm_per_rad", math.sqrt(load.stiffness_Nm_per_rad * inverse), 1.0),
        ("damping_Nm_s", load.damping_Nm_s * inverse, STABLE),
        ("viscous_Nm_s", load.viscous_Nm_s / load.load_inertia_kg_m2, STABLE),
    ):
        if rate * step > limit:
            report.problem(
                ("load", key),
                f"the shaft is too fast for the solver: {short(rate)} rad/s x step of {short(step)} s is above {limit:g}",
                _would_do(rate / limit, tick) or "Check the units of stiffness, damping and inertias",
            )


@needs("load")
def vehicle(report, load):
    if load.kind != "vehicle":
        return
    parts = [key for key in ("drag_area_m2", "rolling_coefficient") if getattr(load, key) is not None]
    if load.road_load is not None and parts:
        report.problem(
            ("load", parts[0]), "and load.road_load both tell the road load", "Give road_load, or the two coefficients"
        )
    elif load.road_load is None and len(parts) < 2:
        missing = next(key for key in ("drag_area_m2", "rolling_coefficient") if getattr(load, key) is None)
        report.problem(("load", missing), "is missing", "Give road_load = { F0_N = 120, ... }, or both coefficients")


@needs("supply", "inverter", "run")
def supplies(report, supply, inverter, run):
    tick = tick_of(inverter)
    c = inverter.link_capacitance_F
    stiff = supply.resistance_ohm == 0.0 and supply.inductance_H == 0.0
    for key, there in (("chopper", supply.chopper is not None), ("auxiliary_W", supply.auxiliary_W > 0.0)):
        if there and stiff:
            report.problem(
                ("supply", key),
                "needs a link that can move; this one stands stiff at the source's voltage",
                "Give supply.resistance_ohm and inverter.link_capacitance_F",
            )
    chopper = supply.chopper
    if chopper is not None and not stiff:
        highest = supply.voltage_V
        if supply.kind == "rectifier":
            highest = math.sqrt(2.0) * supply.line_voltage_V
        elif supply.kind == "battery":
            highest = max(supply.open_circuit_voltage_V.values)
        if chopper.on_above_V <= highest:
            report.problem(
                ("supply", "chopper", "on_above_V"),
                f"must be above the supply's own {short(highest)} (V), or the resistor burns all the time",
                "Raise it above the highest voltage that the supply reaches alone",
            )
        if chopper.off_below_V >= chopper.on_above_V:
            report.problem(
                ("supply", "chopper", "off_below_V"),
                f"must be below on_above_V = {short(chopper.on_above_V)} (V)",
                "Leave some volts between both",
            )
        step = tick / run.substeps
        rate = 1.0 / (chopper.resistance_ohm * c) if c > 0.0 else 0.0
        if rate * step > 1.0:
            report.problem(
                ("supply", "chopper", "resistance_ohm"),
                f"discharges the link too fast for the solver: step/(R C) = {short(rate * step)}, above 1",
                _would_do(rate, tick) or "Raise inverter.link_capacitance_F",
            )
    if supply.kind == "battery":
        _battery(report, supply, tick)


def _battery(report, supply, tick):
    curve = supply.open_circuit_voltage_V
    at = ("supply", "open_circuit_voltage_V")
    if len(curve.degC) > 1 and (curve.degC[0] < 0.0 or curve.degC[-1] > 1.0):
        report.problem(at, "states of charge lie in 0..1", "Write it as [[0.0, 600], [1.0, 760]]")
    if min(curve.values) <= 0.0:
        report.problem(at, "must be above 0 (V)", "Give the voltage of the whole battery")
    if any(b < a for a, b in zip(curve.values, curve.values[1:], strict=False)):
        report.finding(at, "falls with charge somewhere; a battery's rises")
    if (supply.polarisation_resistance_ohm > 0.0) != (supply.polarisation_time_constant_s > 0.0):
        missing = "time_constant_s" if supply.polarisation_resistance_ohm > 0.0 else "resistance_ohm"
        report.problem(
            ("supply", f"polarisation_{missing}"), "is missing; an RC pair has both", "Give both, or leave both out"
        )
    elif supply.polarisation_resistance_ohm > 0.0 < supply.resistance_ohm:
        # The pair takes a tick's mean voltage from the last tick's current (plant/link.py): this loop rings above 0.5.
        x = tick / supply.polarisation_time_constant_s
        gain = (1.0 + math.expm1(-x) / x) * supply.polarisation_resistance_ohm / supply.resistance_ohm
        if gain >= 0.5:
            report.problem(
                ("supply", "polarisation_time_constant_s"),
                f"is too short beside a tick of {short(tick)} for a pair of more ohms than resistance_ohm (s)",
                "Add the pair's resistance to resistance_ohm and leave the pair out",
            )


CHECKS = (iron_loss, emf_harmonics, two_mass, vehicle, supplies)
