"""Small compiled doors for set-up code: records cannot cross the Python boundary one by one."""

from simcore.kernel import kernel
from simcore.plant.machine import fluxes


@kernel
def machine_fluxes(params, table, id_A, iq_A):
    """(BENCH array, table, currents [A]) => psi_d, psi_q [Wb] of member 0."""
    return fluxes(params[0].machine, table, id_A, iq_A)
