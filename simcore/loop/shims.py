"""Small compiled doors for set-up code: records cannot cross the Python boundary one by one."""

from functools import cache

from numba import from_dtype, types

from simcore.kernel import entry
from simcore.loop.records import BENCH
from simcore.plant.machine import currents, fluxes


def _machine_fluxes(params, table, id_A, iq_A):
    return fluxes(params[0].machine, table, id_A, iq_A)


def _machine_currents(params, table, psi_d, psi_q):
    return currents(params[0].machine, table, psi_d, psi_q)


@cache
def _compiled(function):
    number = types.float64
    bench, table = types.Array(from_dtype(BENCH), 1, "C"), types.Array(number, 1, "C")
    return entry(function, types.UniTuple(number, 2)(bench, table, number, number))


def machine_fluxes(params, table, id_A, iq_A):
    """(BENCH array, table, currents [A]) => psi_d, psi_q [Wb] of member 0."""
    return _compiled(_machine_fluxes)(params, table, float(id_A), float(iq_A))


def machine_currents(params, table, psi_d, psi_q):
    """(BENCH array, table, flux linkages [Wb]) => id, iq [A] of member 0."""
    return _compiled(_machine_currents)(params, table, float(psi_d), float(psi_q))
