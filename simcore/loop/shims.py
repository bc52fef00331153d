"""Small compiled doors for set-up code: records cannot cross the Python boundary one by one."""

from functools import cache

from numba import from_dtype, types

from simcore.kernel import entry
from simcore.loop.records import BENCH
from simcore.plant.machine import fluxes


def _machine_fluxes(params, table, id_A, iq_A):
    return fluxes(params[0].machine, table, id_A, iq_A)


@cache
def _compiled():
    number = types.float64
    bench, table = types.Array(from_dtype(BENCH), 1, "C"), types.Array(number, 1, "C")
    return entry(_machine_fluxes, types.UniTuple(number, 2)(bench, table, number, number))


def machine_fluxes(params, table, id_A, iq_A):
    """(BENCH array, table, currents [A]) => psi_d, psi_q [Wb] of member 0."""
    return _compiled()(params, table, float(id_A), float(iq_A))
