"""Small compiled doors for set-up code: records cannot cross the Python boundary one by one."""

from functools import cache

from numba import from_dtype, types

from simcore.kernel import entry
from simcore.loop.records import BENCH, STATE
from simcore.plant.detail import harmonic_flux, iron_conductance
from simcore.plant.machine import currents, fluxes
from simcore.sensing.encoder import start_encoder


def _machine_fluxes(params, table, id_A, iq_A):
    return fluxes(params[0].machine, table, id_A, iq_A)


def _machine_currents(params, table, psi_d, psi_q):
    return currents(params[0].machine, table, psi_d, psi_q)


def _machine_detail(params, theta, omega_e):
    delta_d, delta_q, _, _ = harmonic_flux(params[0].machine, theta)
    return delta_d, delta_q, iron_conductance(params[0].machine, omega_e)


def _begin_encoder(params, states):
    plant = states[0].plant
    start_encoder(params[0].position, states[0].sensors, plant.theta, plant.omega)


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


@cache
def _compiled_detail():
    number, bench = types.float64, types.Array(from_dtype(BENCH), 1, "C")
    return entry(_machine_detail, types.UniTuple(number, 3)(bench, number, number))


@cache
def _compiled_encoder():
    return entry(_begin_encoder, types.void(types.Array(from_dtype(BENCH), 1, "C"), types.Array(from_dtype(STATE), 1, "C")))


def machine_detail(params, theta, omega_e):
    """(BENCH array, mechanical angle [rad], electrical speed [rad/s]) => harmonic flux d, q [Wb], iron conductance [A/Wb]."""
    return _compiled_detail()(params, float(theta), float(omega_e))


def begin_encoder(params, states):
    """(BENCH array, STATE array at tick 0) => the encoder's counter of member 0 stands on the true angle."""
    _compiled_encoder()(params, states)
