"""The compiled step of every C library: calls the address that stands in its parameter row.

One machine code serves all libraries and survives a new address in every process, because the address is data.
"""

from functools import cache

import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic

from controllers.contract import COMMAND, MEASURED, step_signature
from simcore.kernel import entry

MEASURED_BYTES, COMMAND_BYTES = MEASURED.itemsize, COMMAND.itemsize


@intrinsic
def _call(typing, function, measured, command, state):
    """(addresses as integers) => what int64 function(measured*, command*, state*) returns."""

    def generate(context, builder, signature, arguments):
        number, pointer = ir.IntType(64), ir.IntType(8).as_pointer()
        target = ir.FunctionType(number, [pointer] * 3).as_pointer()
        address, *places = arguments
        return builder.call(builder.inttoptr(address, target), [builder.inttoptr(place, pointer) for place in places])

    return types.int64(*[types.int64] * 4), generate


def c_step(measured, commands, parameters, state, tables, member):
    """The published compiled signature around drybench_step; the parameter row holds its address."""
    function = parameters[member].view(np.int64)[0]
    at_measured = np.int64(measured.ctypes.data) + member * MEASURED_BYTES
    at_command = np.int64(commands.ctypes.data) + member * COMMAND_BYTES
    return _call(function, at_measured, at_command, np.int64(state[member].ctypes.data))


@cache
def compiled_c_step():
    """c_step for the compiled run, loaded or compiled now."""
    return entry(c_step, step_signature())
