"""The energy audit: in = out + each loss + change of what is stored."""

import math

import numpy as np

TOLD_SHARE = 1e-4  # of the run's energy, from which on it is told that a map is not conservative


def _square(value):
    """A plain product: a diverged run ends in inf here, not in a warning."""
    return float(value) * float(value)


def stored_energy(scenario, params, plant):
    """(plant state) => J stored by kind; magnetic is None for a flux map, whose path integral the loop keeps."""
    p = params[0]
    stored = {"magnetic": None}
    if scenario.machine.kind == "constants":
        machine = p["machine"]
        psi_d, psi_q = plant["psi_d"], plant["psi_q"]
        if machine["emf_count"]:
            from simcore.loop.shims import machine_detail

            delta_d, delta_q, _ = machine_detail(params, plant["theta"], 0.0)
            psi_d, psi_q = psi_d - delta_d, psi_q - delta_q
        rest_d = _square(psi_d - machine["magnet_flux_Wb"]) / machine["inductance_d_H"]
        stored["magnetic"] = float(0.75 * (rest_d + _square(psi_q) / machine["inductance_q_H"]))
    machine, shaft = p["machine"], p["shaft"]
    if machine["cogging_count"]:
        # The work against the torque T_n sin(n theta + phi).
        orders = machine["cogging_order"][: machine["cogging_count"]]
        at = orders * plant["theta"] + machine["cogging_phase_rad"][: len(orders)]
        stored["cogging"] = float(np.sum(machine["cogging_Nm"][: len(orders)] / orders * np.cos(at)))
    if scenario.load.kind in ("free", "vehicle", "two_mass"):
        stored["kinetic"] = 0.5 * float(shaft["inertia_kg_m2"]) * _square(plant["omega"])
    if scenario.load.kind == "two_mass":
        stored["kinetic"] += 0.5 * float(shaft["load_inertia_kg_m2"]) * _square(plant["omega_load"])
        bent = max(abs(float(plant["twist"])) - float(shaft["half_backlash_rad"]), 0.0)
        stored["shaft_twist"] = float(0.5 * shaft["stiffness_Nm_per_rad"]) * _square(bent)
    if p["link"]["battery"] and p["link"]["polarisation_s"] > 0.0:
        farad = p["link"]["polarisation_s"] / p["link"]["polarisation_ohm"]
        stored["battery_polarisation"] = float(0.5 * farad * _square(plant["polarisation_V"]))
    link = p["link"]
    if link["kind"] > 0:
        stored["link_capacitor"] = float(0.5 * link["capacitance_F"] * _square(plant["link_V"]))
        stored["supply_inductance"] = float(0.5 * link["inductance_H"] * _square(plant["supply_A"]))
    return stored


def close_audit(scenario, params, before, state, fault_J=0.0):
    """(stored at the start, closing state) => the audit as metrics.json holds it; energies in J.

    before holds what faults put into the stores or took out at their onset, fault_J in all.  Each tick's energy at a port
    counts as in or out by its sign; residual_relative is (in - out - losses - change) over the largest of in, out, losses,
    largest stored change and 1 mJ.
    """
    sums = state["audit"]
    energy_in = float(sums["supply_in_J"] + sums["shaft_in_J"])
    energy_out = float(sums["supply_out_J"] + sums["shaft_out_J"])
    losses = {
        "copper": float(sums["copper_J"]),
        "iron": float(sums["iron_J"]),
        "conduction": float(sums["conduction_J"]),
        "switching": float(sums["switching_J"]),
        "supply_resistance": float(sums["supply_loss_J"]),
        "friction_viscous": float(sums["viscous_J"]),
        "friction_dry": float(sums["coulomb_J"]),
    }
    # Told only where the bench has them.
    chopper = params[0]["link"]["chopper_S"] > 0.0
    short = any(fault.kind == "link_short" for fault in scenario.fault)
    across = "chopper_and_link_short" if chopper and short else "link_short" if short else "chopper"
    for name, channel, there in (
        ("gear_and_shaft", "shaft_loss_J", scenario.load.kind in ("vehicle", "two_mass")),
        (across, "chopper_J", chopper or short),
        ("short_circuit", "short_J", sums["short_J"] > 0.0),
        ("auxiliary", "auxiliary_J", params[0]["link"]["auxiliary_W"] > 0.0),
        ("gate_drivers", "driver_J", sums["driver_J"] > 0.0),
        ("link_capacitor", "capacitor_J", sums["capacitor_J"] > 0.0),
    ):
        if there:
            losses[name] = float(sums[channel])
    after = stored_energy(scenario, params, state["plant"])
    changes = {
        name: float(sums["magnetic_J"]) if value is None else after[name] - value for name, value in before.items()
    }
    if params[0]["power"]["machine_heat"]:
        changes["magnet_temperature"] = -float(state["power"]["magnet_J"])
    lost, changed = sum(losses.values()), sum(changes.values())
    scale = max(energy_in, energy_out, lost, max(abs(change) for change in changes.values()), 1e-3)
    told = {"fault_J": fault_J} if scenario.fault else {}
    return told | {
        "energy_in_J": energy_in,
        "energy_out_J": energy_out,
        "losses_J": losses,
        "stored_J": changed,
        "stored_changes_J": changes,
        "residual_relative": (energy_in - energy_out - lost - changed) / scale,
    }


def compare_map_energy(scenario, params, table, first_row, plant, audit):
    """(scenario, bench, first row, closing plant state, audit) => findings; the audit gets `map_energy_J`.

    The magnetic energy that the run took up, and what two direct paths between its first and last current take by the map:
    a reciprocal map gives one and the same, a measured one does not.
    """
    from simcore.loop.records import ROW_CHANNELS
    from simcore.loop.shims import machine_currents
    from simcore.plant.fluxmap_energy import coenergy_difference

    tables = scenario.machine.map_data.tables
    start = tuple(float(first_row[ROW_CHANNELS.index(name)]) for name in ("id_A", "iq_A"))
    end = machine_currents(params, table, plant["psi_d"], plant["psi_q"])
    if not all(math.isfinite(value) for value in (*start, *end)):
        return ()
    paths = coenergy_difference(tables, start, end)
    run = audit["stored_changes_J"]["magnetic"]
    audit["map_energy_J"] = {"run": run, "d_first": paths.d_first_J, "q_first": paths.q_first_J}
    scale = max(audit["energy_in_J"], audit["energy_out_J"], 1e-3)
    if max(abs(run - paths.d_first_J), abs(run - paths.q_first_J)) <= TOLD_SHARE * scale:
        return ()
    return (
        f"The flux map is not conservative: on its way the run took up {run:.4g} J of magnetic energy, the two direct paths "
        f"between its first and last current {paths.d_first_J:.4g} J and {paths.q_first_J:.4g} J.",
    )
