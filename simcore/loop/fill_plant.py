"""Plant records of a bench, filled from the scenario's models: machine, shaft, link."""

import math

import numpy as np

from simcore.plant.records import CAPACITOR, CAPACITOR_AND_CHOKE, FREE, LOCKED, RIG, STIFF, TWO_MASS
from simcore.plant.temperature import magnet_flux_Wb, resistance_ohm
from simcore.scenario.check_plant import magnets_Wb
from simcore.scenario.iron import separate

LOAD_KINDS = {"rig": RIG, "free": FREE, "locked": LOCKED, "two_mass": TWO_MASS, "vehicle": FREE}
AUXILIARY_OFF = 0.25  # of the supply's voltage: converters of auxiliary loads stop below (common practice, no source)
HYSTERESIS_BAND_rad_s = 1.0  # electrical; below it the hysteresis current fades out instead of jumping


def fill_machine(record, machine):
    """(machine model) => machine record filled, the flat table its map needs (one zero for constants)."""
    record["pole_pairs"] = machine.pole_pairs
    record["resistance_ohm"] = resistance_ohm(machine)
    _fill_detail(record, machine)
    if machine.kind == "flux_map":
        record["use_map"], record["map_offset"] = 1, 0
        return np.ascontiguousarray(machine.map_data.tables.table)
    record["inductance_d_H"], record["inductance_q_H"] = machine.inductance_d_H, machine.inductance_q_H
    record["magnet_flux_Wb"] = magnet_flux_Wb(machine)
    return np.zeros(1)


def _fill_detail(record, machine):
    """Iron loss, EMF harmonics and cogging (plant/detail.py)."""
    loss = machine.iron_loss
    if loss is not None:
        flux_Wb = loss.flux_linkage_Wb or magnets_Wb(machine)
        if loss.no_load_W is not None:
            hysteresis_W_per_Hz, eddy_W_per_Hz2 = separate(loss.no_load_W)
        else:
            hysteresis_W_per_Hz = loss.hysteresis_W / loss.frequency_Hz
            eddy_W_per_Hz2 = loss.eddy_W / loss.frequency_Hz**2
        # P = 1.5 psi^2 (eddy omega^2 + hysteresis omega)
        record["eddy_S"] = eddy_W_per_Hz2 / (1.5 * flux_Wb**2 * (2.0 * math.pi) ** 2)
        record["hysteresis_A_per_Wb"] = hysteresis_W_per_Hz / (1.5 * flux_Wb**2 * 2.0 * math.pi)
        record["hysteresis_band_rad_s"] = HYSTERESIS_BAND_rad_s
    record["emf_count"] = len(machine.emf_harmonics)
    for k, harmonic in enumerate(machine.emf_harmonics):
        forward = harmonic.order % 3 == 1
        record["emf_order"][k] = harmonic.order - 1 if forward else -(harmonic.order + 1)
        record["emf_flux_Wb"][k] = magnets_Wb(machine) * harmonic.amplitude_percent / (100.0 * harmonic.order)
        record["emf_phase_rad"][k] = math.radians(harmonic.phase_deg if forward else -harmonic.phase_deg)
    record["cogging_count"] = len(machine.cogging)
    for k, harmonic in enumerate(machine.cogging):
        record["cogging_order"][k], record["cogging_Nm"][k] = harmonic.order, harmonic.torque_Nm
        record["cogging_phase_rad"][k] = math.radians(harmonic.phase_deg)
    record["detail"] = loss is not None or bool(machine.emf_harmonics) or bool(machine.cogging)


def fill_shaft(record, load):
    record["kind"] = LOAD_KINDS[load.kind]
    if load.kind in ("free", "two_mass"):
        record["inertia_kg_m2"], record["viscous_Nm_s"] = load.inertia_kg_m2, load.viscous_Nm_s
        record["coulomb_Nm"] = load.coulomb_Nm
        record["stiction_Nm"] = load.coulomb_Nm if load.stiction_Nm is None else load.stiction_Nm
    if load.kind == "two_mass":
        for name in ("load_inertia_kg_m2", "stiffness_Nm_per_rad", "damping_Nm_s"):
            record[name] = getattr(load, name)
        record["half_backlash_rad"] = 0.5 * math.radians(load.backlash_deg)
    if load.kind == "vehicle":
        constant_N, linear_N_s_per_m, square_N_s2_per_m2 = load.road_N
        arm = load.arm_m
        record["inertia_kg_m2"] = load.total_inertia_kg_m2
        record["coulomb_Nm"] = record["stiction_Nm"] = constant_N * arm
        record["viscous_Nm_s"], record["drag_Nm_s2"] = linear_N_s_per_m * arm**2, square_N_s2_per_m2 * arm**3
        record["gear_loss"] = 1.0 - load.gear_efficiency
        record["gear_loss_back"] = 1.0 / load.gear_efficiency - 1.0
        record["rough"] = bool(record["drag_Nm_s2"] or record["gear_loss"])


def fill_link(record, supply, inverter):
    record["resistance_ohm"] = supply.resistance_ohm
    record["inductance_H"], record["capacitance_F"] = supply.inductance_H, inverter.link_capacitance_F
    record["auxiliary_W"], record["auxiliary_off_V"] = supply.auxiliary_W, AUXILIARY_OFF * supply.voltage_V
    if supply.inductance_H > 0.0:
        record["kind"] = CAPACITOR_AND_CHOKE
    elif supply.resistance_ohm > 0.0:
        record["kind"] = CAPACITOR
    else:
        record["kind"] = STIFF
        record["resistance_ohm"] = 0.0
    if supply.chopper is not None:
        record["chopper_S"] = 1.0 / supply.chopper.resistance_ohm
        record["chopper_on_V"], record["chopper_off_V"] = supply.chopper.on_above_V, supply.chopper.off_below_V
    if supply.kind == "rectifier":
        record["one_way"] = 1
        record["line_rad_s"] = 2.0 * math.pi * supply.frequency_Hz
        record["line_peak_V"] = math.sqrt(2.0) * supply.line_voltage_V
    if supply.kind == "battery":
        record["battery"], record["capacity_C"] = 1, supply.capacity_Ah * 3600.0
        record["polarisation_ohm"] = supply.polarisation_resistance_ohm
        record["polarisation_s"] = supply.polarisation_time_constant_s
    record["active"] = bool(record["one_way"] or record["chopper_S"] > 0.0)
