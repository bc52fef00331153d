"""The two shells around the stages: the compiled run, and the advance between two calls of a Python controller."""

import math
from functools import cache

import numpy as np
from numba import carray, from_dtype, types
from numba.core import cgutils
from numba.extending import intrinsic

from controllers.contract import COMMAND, MEASURED, step_signature
from simcore.kernel import entry, kernel
from simcore.loop.records import BENCH, OK, SCOPE, STATE
from simcore.loop.stages import after_command, control_failed, to_sample


def _run_compiled(
    params, states, measured, commands, table, points, scopes, samples, rows, extras, until_tick, last_tick, member,
    control, own_parameters, own_state, own_tables,
):  # fmt: skip
    """Runs whole updates of one member until its tick reaches until_tick or something fails."""
    p, s, m, c = params[member], states[member], measured[member], commands[member]
    while s.tick < until_tick and s.status == OK:
        to_sample(p, s, m, table, points, scopes, samples, rows, member)
        if p.clock.frozen == 0:
            control_failed(s, control(measured, commands, own_parameters, own_state, own_tables, member))
        after_command(p, s, m, c, table, points, scopes, samples, rows, extras, last_tick, member)


PAUSE = 23  # place in the desk


@intrinsic
def _pointer(typing, address):
    """(address as an integer) => the pointer to it."""

    def generate(context, builder, signature, arguments):
        return builder.inttoptr(arguments[0], cgutils.voidptr_t)

    return types.voidptr(types.int64), generate


def make_desk(common, last_tick):
    """(arrays of a run, its last tick) => one array of addresses, lengths, the last tick and the one to pause at (desk[PAUSE]).

    Handing over ten arrays at every call takes longer than a tick.  The arrays must outlive the desk and stay in place.
    """
    lengths = [length for array in common[4:] for length in (array.shape[0], array.shape[-1])]
    return np.array([*(array.ctypes.data for array in common), *lengths, last_tick, last_tick], dtype=np.int64)


def _start_python(desk):
    """The first sample of a run or after a pause, before any command."""
    p, s = carray(_pointer(desk[0]), 1, BENCH)[0], carray(_pointer(desk[1]), 1, STATE)[0]
    m = carray(_pointer(desk[2]), 1, MEASURED)[0]
    table, points = carray(_pointer(desk[4]), desk[10], np.float64), carray(_pointer(desk[5]), desk[12], np.float64)
    scopes, samples = carray(_pointer(desk[6]), desk[14], SCOPE), carray(_pointer(desk[7]), (desk[16], desk[17]), np.float64)
    rows = carray(_pointer(desk[8]), (desk[18], desk[19]), np.float64)
    to_sample(p, s, m, table, points, scopes, samples, rows, 0)
    return _seen(m)


def _advance_python(desk, duty_a, duty_b, duty_c):
    """(duties) => the next sample, and whether the run goes on; nothing more is sensed at its end or a pause."""
    p, s = carray(_pointer(desk[0]), 1, BENCH)[0], carray(_pointer(desk[1]), 1, STATE)[0]
    m, c = carray(_pointer(desk[2]), 1, MEASURED)[0], carray(_pointer(desk[3]), 1, COMMAND)[0]
    table, points = carray(_pointer(desk[4]), desk[10], np.float64), carray(_pointer(desk[5]), desk[12], np.float64)
    scopes, samples = carray(_pointer(desk[6]), desk[14], SCOPE), carray(_pointer(desk[7]), (desk[16], desk[17]), np.float64)
    rows = carray(_pointer(desk[8]), (desk[18], desk[19]), np.float64)
    extras = carray(_pointer(desk[9]), (desk[20], desk[21]), np.float64)
    last_tick = desk[22]
    c.duty_a, c.duty_b, c.duty_c = duty_a, duty_b, duty_c
    after_command(p, s, m, c, table, points, scopes, samples, rows, extras, last_tick, 0)
    going = s.tick < desk[PAUSE] and s.status == OK
    if going:
        to_sample(p, s, m, table, points, scopes, samples, rows, 0)
    return _seen(m), going


def _tell_python(desk, gates_on, gate_setting, torque_reference, torque_estimate, id_reference, iq_reference, margin, binding):
    """(what a command says besides its duties) => kept until told anew; False where a whole number is none."""
    if not math.isfinite(gates_on + gate_setting + binding):
        return False
    c = carray(_pointer(desk[3]), 1, COMMAND)[0]
    c.gates_on, c.gate_setting, c.binding_limit = int(gates_on), int(gate_setting), int(binding)
    c.torque_reference_Nm, c.torque_estimate_Nm = torque_reference, torque_estimate
    c.id_reference_A, c.iq_reference_A, c.voltage_margin_V = id_reference, iq_reference, margin
    return True


@kernel
def _seen(m):
    """(measurement record) => its fields in the order of controllers.contract.Measured."""
    return (
        m.time_s, m.ia_A, m.ib_A, m.ic_A, m.angle_electrical_rad, m.speed_rpm, m.link_voltage_V, m.winding_degC,
        m.junction_degC, m.torque_reference_Nm, m.speed_reference_rpm, m.id_reference_A, m.iq_reference_A,
        m.vd_reference_V, m.vq_reference_V, m.voltage_reference_V, m.frequency_reference_Hz, m.run_request,
        m.magnet_degC, m.legs_released,
    )  # fmt: skip


def _array(dtype, dimensions=1):
    return types.Array(dtype if isinstance(dtype, types.Type) else from_dtype(dtype), dimensions, "C")


def _bench_types():
    vector, block = _array(types.float64), _array(types.float64, 2)
    return _array(BENCH), _array(STATE), _array(MEASURED), _array(COMMAND), vector, block


@cache
def compiled_run():
    """The compiled run; one machine code serves every compiled controller (a first-class function argument)."""
    bench, state, measured, command, vector, block = _bench_types()
    signature = types.void(
        bench, state, measured, command, vector, vector, _array(SCOPE), block, block, block, types.int64, types.int64,
        types.int64, types.FunctionType(step_signature()), block, block, vector,
    )  # fmt: skip
    return entry(_run_compiled, signature, threads=True)


def _called(function, signature):
    """(function, its one signature) => the compiled entry itself, which converts its arguments without dispatch."""
    (compiled,) = entry(function, signature, counted=True).overloads.values()
    return compiled.entry_point


@cache
def python_shell():
    """(start, tell, advance): the compiled pieces between two calls of a Python controller."""
    desk, number = _array(types.int64), types.float64
    seen = types.UniTuple(number, len(MEASURED.names))
    start = _called(_start_python, seen(desk))
    tell = _called(_tell_python, types.boolean(desk, *[number] * 8))
    return start, tell, _called(_advance_python, types.Tuple((seen, types.boolean))(desk, number, number, number))
