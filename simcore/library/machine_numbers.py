"""A machine's constants in all usual units and bases, as a plain dict; every key ends in its unit or names its basis.

The same dict is what `drybench parts --json` prints and what simcore.library.machine_text shows.
"""

import math

from simcore.library.machine_limits import CEILINGS, Limits
from simcore.plant.temperature import resistance_ohm
from simcore.scenario.data_sheet.winding_bases import BASES, SQRT2, at_temperature, from_common

COLD_degC = 25.0


def machine_numbers(machine, hot_degC, voltage=None):
    """(checked [machine], hot winding temperature, (link voltage [V], where it comes from) or None) => dict of numbers."""
    limits = Limits.of(machine)
    psi = limits.fluxes(0.0, 0.0)[0]
    torque, id_A, iq_A = limits.most_torque()
    pole_flux = machine.pole_pairs * psi
    numbers = {
        "kind": machine.kind,
        "pole_pairs": machine.pole_pairs,
        "max_current_A": {"peak": machine.max_current_A, "rms": machine.max_current_A / SQRT2},
        "max_speed_rpm": machine.max_speed_rpm,
        "magnet_temperature_degC": machine.magnet_temperature_degC if machine.magnet_temperature_coefficient_per_K else None,
        "resistance": _resistances(machine, hot_degC),
        "inductance": _inductances(limits, id_A, iq_A),
        "magnet_flux_Wb": _in_bases("magnet_flux_Wb", psi),
        "emf_constant_V_per_krpm": _in_bases("emf_constant_V_per_krpm", pole_flux),
        "emf_constant_V_s_per_rad": _in_bases("emf_constant_V_s_per_rad", pole_flux),
        "speed_constant_rpm_per_V": _in_bases("speed_constant_rpm_per_V", pole_flux) if psi > 0.0 else None,
        "torque_constant_Nm_per_A": _torque_constants(limits, pole_flux, torque),
        "most_torque": {"torque_Nm": torque, "id_A": id_A, "iq_A": iq_A},
        "characteristic_current_A": limits.characteristic_current_A(),
    }
    if machine.kind == "flux_map":
        numbers["flux_map"] = _map_range(machine.map_data, machine.max_current_A)
    if voltage is not None:
        numbers["speeds"] = speed_numbers(limits, *voltage)
    return numbers


def _in_bases(quantity, common):
    return {basis: from_common(quantity, basis, common) for basis in BASES[quantity]}


def _resistances(machine, hot_degC):
    """Cold, as the part runs, and hot: of one phase and between two terminals."""
    running = machine.winding_temperature_degC
    rows = []
    for degC in dict.fromkeys(sorted((COLD_degC, running, hot_degC))):
        ohm = at_temperature(resistance_ohm(machine), running, degC)
        rows.append({"winding_degC": degC, "phase_ohm": ohm, "line_line_ohm": 2.0 * ohm, "as_it_runs": degC == running})
    return rows


def _inductances(limits, id_A, iq_A):
    """Constants, or a map's at zero current (incremental) and at most torque (incremental, and flux over current)."""
    if not hasattr(limits.flux, "cells"):
        return [_inductance("constant", limits.flux.inductance_d_H, limits.flux.inductance_q_H)]
    places = (("zero current, incremental", 0.0, 0.0), ("most torque, incremental", id_A, iq_A))
    rows = []
    for where, along, across in places:
        _, l_dd, _, _, _, l_qq = limits.flux.jets(along, across)
        rows.append(_inductance(where, float(l_dd), float(l_qq)))
    psi_d, psi_q = limits.fluxes(id_A, iq_A)
    without_id = limits.fluxes(0.0, iq_A)[0]
    l_d = (psi_d - without_id) / id_A if abs(id_A) > 1e-6 * limits.max_current_A else math.nan
    return [*rows, _inductance("most torque, flux over current", l_d, psi_q / iq_A)]


def _map_range(data, most):
    """Where the map ends, and whether the current limit stays inside it (from no id down, at both signs of iq)."""
    along, across = ([float(axis[0]), float(axis[-1])] for axis in (data.id_A, data.iq_A))
    inside = along[0] <= -most and across[0] <= -most and across[1] >= most
    return {"id_A": along, "iq_A": across, "holds_current_limit": inside}


def _inductance(where, l_d, l_q):
    return {
        "where": where, "d_phase_H": l_d, "q_phase_H": l_q, "d_line_line_H": 2.0 * l_d, "q_line_line_H": 2.0 * l_q,
    }  # fmt: skip


def _torque_constants(limits, pole_flux, torque):
    """Nm a peak and an rms ampere: magnet alone, all current across the magnet, and at most torque."""
    most = limits.max_current_A
    across = float(limits.points.at(0.0, most).torque) / most
    rows = {"small_current_id_0": 1.5 * pole_flux, "max_current_id_0": across, "max_current_most_torque": torque / most}
    return {name: {"peak": value, "rms": SQRT2 * value} for name, value in rows.items()}


def speed_numbers(limits, link_V, source):
    """(Limits, link voltage, where it comes from) => what each modulation reaches at it."""
    beyond = limits.volt_limited()
    rows = {}
    for modulation, share in CEILINGS.items():
        phase_V = share * link_V
        row = {
            "phase_peak_V": phase_V,
            "base_speed_rpm": limits.base_speed_rpm(phase_V, limits.resistance_ohm),
            "base_speed_without_resistance_rpm": limits.base_speed_rpm(phase_V, 0.0),
            "emf_ceiling_rpm": limits.emf_ceiling_rpm(phase_V),
            "current_circle_ceiling_rpm": limits.circle_ceiling_rpm(phase_V),
        }
        if beyond:
            row["mtpv_from_rpm"] = limits.speed_at_flux_rpm(phase_V, beyond[1])
        rows[modulation] = row
    mtpv = {"torque_Nm": beyond[0], "flux_Wb": beyond[1], "id_A": beyond[2], "iq_A": beyond[3]} if beyond else None
    return {"link_voltage_V": link_V, "from": source, "modulation": rows, "mtpv": mtpv}
