"""Machines for the tests of torque references, and the lookup in one call.

A to E are the worked machines of the tests in tests/reference; the last three have no magnet, or Ld above Lq.
"""

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from controllers.operating_points import ConstantMachine
from controllers.reference_tables import build_reference_tables
from controllers.references import current_references
from simcore.plant.fluxmap_build import build_map_tables

MEASURED = Path(os.environ.get("DRYBENCH_OUTSIDE_DATA", Path(__file__).parents[2] / ".." / "shared" / "data"))
MEASURED = MEASURED / "measured_ipm_fluxmap.csv"


@dataclass
class Bench:
    """A machine with its table; fluxes(id, iq) is written out here, apart from the code under test."""

    pole_pairs: int
    l_d: float
    l_q: float
    psi_m: float
    max_A: float
    map_tables: object = None

    def __post_init__(self):
        constants = ConstantMachine(inductance_d_H=self.l_d, inductance_q_H=self.l_q, magnet_flux_Wb=self.psi_m)
        self.flux = self.map_tables or constants
        self.map_table = np.zeros(1) if self.map_tables is None else self.map_tables.table
        self.table = build_reference_tables(self.flux, self.pole_pairs, self.max_A)

    def fluxes(self, id_A, iq_A):
        if self.map_tables is None:
            return self.psi_m + self.l_d * id_A, self.l_q * iq_A
        return self.map_tables.fluxes(id_A, iq_A)

    def torque(self, id_A, iq_A):
        psi_d, psi_q = self.fluxes(id_A, iq_A)
        return 1.5 * self.pole_pairs * (psi_d * iq_A - psi_q * id_A)

    def flux_magnitude(self, id_A, iq_A):
        return np.hypot(*self.fluxes(id_A, iq_A))

    def references(self, torque_Nm, flux_Wb):
        """(torque asked, flux limit (...)) => id, iq, granted, binding (...)."""
        asked = np.broadcast_arrays(np.asarray(torque_Nm, dtype=float), np.asarray(flux_Wb, dtype=float))
        rows = [self.one(torque, flux) for torque, flux in zip(*(a.ravel() for a in asked), strict=True)]
        return [np.reshape(column, asked[0].shape) for column in zip(*rows, strict=True)]

    def one(self, torque_Nm, flux_Wb):
        return current_references(
            self.table, 0, int(self.map_tables is not None), self.map_table, 0,
            float(self.pole_pairs), self.psi_m, self.l_d, self.l_q, float(torque_Nm), float(flux_Wb),
        )  # fmt: skip


CONSTANTS = {
    # Morimoto, Sanada, Takeda 1994, converted to amplitude-invariant scaling (from memory).
    "A": (2, 8.72e-3, 22.8e-3, 0.0879367, 7.07107),
    "B": (3, 5.6e-3, 9.0e-3, 0.1546, 10.0),
    "D": (4, 0.25e-3, 0.25e-3, 0.06, 300.0),
    "E": (4, 0.2e-3, 0.6e-3, 0.07, 400.0),
    "without magnet": (2, 2e-3, 8e-3, 0.0, 20.0),
    "without magnet, d the soft axis": (2, 8e-3, 2e-3, 0.0, 20.0),
    "Ld above Lq": (3, 8e-3, 6e-3, 0.15, 10.0),
}


def machine(name):
    if name == "measured":
        return Bench(3, 0.0, 0.0, 0.0, 250.0, measured_tables())
    return Bench(*CONSTANTS[name])


def measured_tables():
    rows = np.genfromtxt(MEASURED, delimiter=",", names=True)
    id_A, iq_A = np.unique(rows["id_A"]), np.unique(rows["iq_A"])
    order = np.lexsort((rows["iq_A"], rows["id_A"]))
    psi_d, psi_q = (rows[name][order].reshape(id_A.size, iq_A.size) for name in ("psi_d_Vs", "psi_q_Vs"))
    return build_map_tables(id_A, iq_A, psi_d, psi_q)
