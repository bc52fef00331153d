"""A user's update function => a compiled step of the published signature, with machine code in a folder of its own."""

from pathlib import Path
from types import FunctionType

from numba import from_dtype, njit, types
from numba.extending import overload

from controllers.compile_reasons import reason
from controllers.contract import COMMAND, MEASURED, ContractError, step_signature
from controllers.own_code import own_folder
from simcore.kernel import code_cache

# User code may index arrays wrongly; checking costs nothing that can be measured.
_OPTIONS = {"error_model": "numpy", "boundscheck": True}
UPDATE = PARAMETERS = STATE = None  # stand for a class's own in the two forms below


def _code(answer):
    """(what an update returned) => the code that the run looks at: 0 for nothing."""
    return 0 if answer is None else int(answer)


@overload(_code)
def _code_compiled(answer):
    if isinstance(answer, types.NoneType):
        return lambda answer: 0
    if isinstance(answer, types.Optional):
        return lambda answer: 0 if answer is None else answer
    if isinstance(answer, (types.Integer, types.Boolean)):
        return lambda answer: answer
    return None


def _plain(measured, commands, parameters, state, tables, member):
    p, s = parameters[member].view(PARAMETERS)[0], state[member].view(STATE)[0]
    return _code(UPDATE(p, s, measured[member], commands[member]))


def _with_tables(measured, commands, parameters, state, tables, member):
    p, s = parameters[member].view(PARAMETERS)[0], state[member].view(STATE)[0]
    return _code(UPDATE(p, s, measured[member], commands[member], tables))


def compile_update(update, parameters, state, name):
    """(update(p, s, m, c) or update(p, s, m, c, tables), two record dtypes, name for messages) => compiled step.

    Raises ContractError where numba cannot compile it.
    """
    form = _with_tables if update.__code__.co_argcount == 5 else _plain
    records = (parameters, state, MEASURED, COMMAND)
    tables = (types.Array(types.float64, 1, "C"),) if form is _with_tables else ()

    def step(options):
        own = {"UPDATE": njit(**options)(update), "PARAMETERS": parameters, "STATE": state}
        return FunctionType(form.__code__, globals() | own, form.__name__)

    def refused(error):
        # The update alone, because what is said about the form around it tells the user nothing.
        try:
            njit(**_OPTIONS)(update).compile((*map(from_dtype, records), *tables))
        except Exception as alone:
            error = alone
        return f"controller.class: {name} does not compile: {reason(error, update, records)}"

    return _compiled(step, own_folder(update, parameters, state), refused)


def compile_step(function):
    """(Python or lazily compiled function of controllers.contract.step_signature) => compiled for the run; a decorator too.

    Raises ContractError where numba cannot compile it, or where it returns no whole number.
    """
    python = getattr(function, "py_func", function)

    def refused(error):
        return f"controller.class: {python.__name__} does not compile: {reason(error, python, (MEASURED, COMMAND))}"

    return _compiled(lambda options: python, own_folder(python), refused)


def _compiled(make, folder, refused):
    """(options => function, cache folder, error => sentence) => compiled, without reference counting where that will do.

    Counting an array argument costs two atomic instructions a call, some 100 ns in all; code that makes arrays needs it.
    """
    counts = Path(folder) / "counts_references"
    for counted in (True,) if counts.exists() else (False, True):
        options = _OPTIONS | {"_nrt": counted}
        try:
            with code_cache(folder):
                step = njit(step_signature(), cache=True, **options)(make(options))
        except Exception as error:  # numba raises KeyError, TypeError and AssertionError too
            refusal = error
            continue
        if counted:
            counts.touch()
        return step
    raise ContractError(refused(refusal)) from refusal
