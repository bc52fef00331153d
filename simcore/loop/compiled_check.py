"""A compiled step before it reaches the run: the right shapes and the published signature, or one sentence."""

from functools import cache

import numpy as np

from controllers.contract import CompiledStep, ContractError, step_signature

_WANTED = "int64 step(measured, commands, parameters, state, tables, member)"
_signature = cache(step_signature)


def ready_step(controller, given):
    """(controller, what its compiled_step() answered) => CompiledStep that the run takes.  Raises ContractError."""
    where = f"controller.class: {type(controller).__name__}.compiled_step"
    try:
        step = CompiledStep(*(getattr(given, name) for name in CompiledStep._fields))
    except AttributeError:
        raise ContractError(
            f"{where} answered {type(given).__name__}; expected a CompiledStep of function, parameters, state and tables. "
            "Import it from controllers.contract."
        ) from None
    for name, dimensions in (("parameters", 2), ("state", 2), ("tables", 1)):
        _check_array(where, name, getattr(step, name), dimensions)
    return step._replace(function=_ready_function(where, step.function))


def _check_array(where, name, array, dimensions):
    fits = isinstance(array, np.ndarray) and array.dtype == np.float64 and array.ndim == dimensions
    if fits and array.flags.c_contiguous and array.flags.writeable and (dimensions == 1 or len(array)):
        return
    kind = f"{array.ndim}-D array of {array.dtype}" if isinstance(array, np.ndarray) else type(array).__name__
    rows = "rows of numbers, one a member" if dimensions == 2 else "one row of numbers"
    raise ContractError(f"{where} gave as {name}: {kind}; expected {rows} (contiguous float64, {dimensions}-D). Make it so.")


def _ready_function(where, function):
    """(Python function, or compiled by numba) => compiled for the published signature."""
    wanted = _signature()
    overloads = getattr(function, "overloads", None)
    if not overloads:
        if not callable(function):
            kind = type(function).__name__
            raise ContractError(f"{where} gave as function: {kind}; expected {_WANTED}. Hand over a function.")
        from controllers.compiled_step import compile_step

        return compile_step(function)
    found = overloads.get(wanted.args)
    if found is not None and found.signature.return_type == wanted.return_type:
        return function
    name = getattr(function, "__name__", "function")
    if found is not None:
        got = found.signature.return_type
        raise ContractError(f"{where}: {name} returns {got}; expected int64, 0 where all is well. Mend it.")
    numbers = [len(arguments) for arguments in overloads]
    got = f"{numbers[0]} arguments" if numbers[0] != len(wanted.args) else "arguments of other types"
    raise ContractError(
        f"{where}: {name} is compiled for {got}; expected {_WANTED}. Compile it with "
        "njit(controllers.contract.step_signature()), or hand it over uncompiled."
    )
