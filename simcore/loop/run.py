"""The two shells around the stages: the compiled run, and the advance between two calls of a Python controller."""

from functools import cache

from numba import from_dtype, types

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
        control_failed(s, control(measured, commands, own_parameters, own_state, own_tables, member))
        after_command(p, s, c, table, points, scopes, samples, rows, extras, last_tick, member)


def _start_python(params, states, measured, table, points, scopes, samples, rows):
    """The first sample of a run, before any command."""
    p, s, m = params[0], states[0], measured[0]
    to_sample(p, s, m, table, points, scopes, samples, rows, 0)
    return _seen(m)


def _advance_python(params, states, measured, commands, table, points, scopes, samples, rows, extras, last_tick, duties,
                    report):  # fmt: skip
    """(command as scalars) => the next sample; nothing more is sensed after the last tick."""
    p, s, m, c = params[0], states[0], measured[0], commands[0]
    c.duty_a, c.duty_b, c.duty_c = duties
    c.gates_on, c.gate_setting, c.binding_limit = int(report[0]), int(report[1]), int(report[2])
    c.torque_reference_Nm, c.torque_estimate_Nm, c.id_reference_A = report[3], report[4], report[5]
    c.iq_reference_A, c.voltage_margin_V = report[6], report[7]
    after_command(p, s, c, table, points, scopes, samples, rows, extras, last_tick, 0)
    if s.tick < last_tick and s.status == OK:
        to_sample(p, s, m, table, points, scopes, samples, rows, 0)
    return _seen(m), s.status


@kernel
def _seen(m):
    """(measurement record) => its fields in the order of controllers.contract.Measured."""
    return (
        m.time_s, m.ia_A, m.ib_A, m.ic_A, m.angle_electrical_rad, m.speed_rpm, m.link_voltage_V, m.winding_degC,
        m.junction_degC, m.torque_reference_Nm, m.speed_reference_rpm, m.id_reference_A, m.iq_reference_A,
        m.vd_reference_V, m.vq_reference_V,
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
    return entry(_run_compiled, signature)


@cache
def python_shell():
    """(start, advance): the compiled pieces between two calls of a Python controller."""
    bench, state, measured, command, vector, block = _bench_types()
    common = (vector, vector, _array(SCOPE), block, block)
    seen = types.UniTuple(types.float64, len(MEASURED.names))
    start = entry(_start_python, seen(bench, state, measured, *common))
    advance = entry(
        _advance_python,
        types.Tuple((seen, types.int64))(
            bench, state, measured, command, *common, block, types.int64, types.UniTuple(types.float64, 3),
            types.UniTuple(types.float64, 8),
        ),
    )  # fmt: skip
    return start, advance
