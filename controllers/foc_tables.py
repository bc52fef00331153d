"""The machine the field-oriented controller believes in: its record, its flux map and its torque reference tables."""

import numpy as np

from controllers.contract import TuningError
from controllers.foc_records import MODES
from controllers.operating_points import ConstantMachine
from controllers.reference_tables import build_reference_tables
from controllers.table_cache import cached_tables
from simcore.plant.fluxmap_build import build_map_tables
from simcore.plant.temperature import magnet_flux_Wb, resistance_ohm

NEEDS_REFERENCES = (MODES["torque"], MODES["speed"])


def machine_tables(p, setup, tuning):
    """(parameter record to fill, set-up, tuning fields) => flat tables: flux map first (if any), then the references."""
    machine = setup.machine
    record = p["machine"]
    record["pole_pairs"] = machine.pole_pairs
    record["resistance_ohm"] = resistance_ohm(machine)
    wants_references = tuning["mode"] in NEEDS_REFERENCES
    if machine.kind == "flux_map":
        data = machine.map_data
        record["use_map"] = 1
        arrays = (data.id_A, data.iq_A, data.psi_d_Wb, data.psi_q_Wb)
        map_table = cached_tables((0.0, *arrays), lambda: build_map_tables(*arrays).table)
        record["inductance_d_H"] = record["inductance_q_H"] = 0.0

        def flux():
            return build_map_tables(*arrays)
    else:
        constants = (machine.inductance_d_H, machine.inductance_q_H, magnet_flux_Wb(machine))
        record["inductance_d_H"], record["inductance_q_H"], record["magnet_flux_Wb"] = constants
        arrays = (np.array(constants),)
        map_table = np.zeros(0)

        def flux():
            return ConstantMachine(
                inductance_d_H=constants[0], inductance_q_H=constants[1], magnet_flux_Wb=constants[2]
            )

    p["reference_offset"] = len(map_table)
    if p["gains_given"] == 0:
        p["ki_d"] = p["ki_q"] = tuning["current_bandwidth_rad_s"] * float(record["resistance_ohm"])
    if not wants_references:
        return np.concatenate([map_table, np.zeros(1)])

    def references():
        try:
            return build_reference_tables(flux(), machine.pole_pairs, machine.max_current_A)
        except ValueError as error:
            raise TuningError(
                f'controller.mode = "{setup.mode}": no torque references can be made: {error} Give it one of them, or choose '
                'mode "current", "voltage" or "open_loop", which need no torque.'
            ) from error

    key = (1.0, machine.pole_pairs, machine.max_current_A, *arrays)
    return np.concatenate([map_table, cached_tables(key, references)])
