"""A user's controller at full speed: records named, one function written, compiled on first use.

    class Spin(CompiledController):
        parameters = ("volts", "step_rad")
        state = ("angle",)

        def prepare(self, setup, p, s):
            p.volts, p.step_rad = setup.tuning["volts"], 0.01

        @staticmethod
        def update(p, s, m, c):
            s.angle += p.step_rad
            c.duty_a = 0.5 + p.volts * math.cos(s.angle) / m.link_voltage_V
"""

import inspect
from abc import abstractmethod

import numpy as np

from controllers.contract import MEASURED, CompiledStep, ContractError, Controller, blank_command, told_command

_COMPILED = {}  # class => compiled step; an edited module brings a class of its own


class CompiledController(Controller):
    """Base of a controller whose update is compiled by numba.  Two things to write: `prepare` and `update`.

    parameters, state: names of numbers, or a NumPy record dtype (any fields of at most eight bytes, arrays of them, records).
    Parameters are filled in before the run; state begins at zero in every run.  `signals` are written to c.extra[0], [1], ...
    """

    parameters: tuple | np.dtype = ()
    state: tuple | np.dtype = ()
    tables = ()  # one row of numbers for `update(p, s, m, c, tables)`, set in prepare

    @abstractmethod
    def prepare(self, setup, p, s):
        """In Python, before the run: fill the parameters p from the set-up, and the state s where it does not begin at 0."""

    @staticmethod
    @abstractmethod
    def update(p, s, m, c):
        """Compiled, once an update: measurement m and state s => command c.

        m has the fields of Measured, c those of Command.  What is not written in c stays as it was at the update before; at
        the beginning gates are on.  Returns nothing, or a code other than 0 that ends the run.  Helper functions carry
        numba's @njit.
        """

    def reset(self, setup):
        """Fresh records, then `prepare`."""
        kind = type(self)
        self._own = {}
        for which in ("parameters", "state"):
            layout = _layout(kind, which)
            self._own[which] = np.zeros((1, layout.itemsize // 8))
        self.prepare(setup, *(self._record(which) for which in self._own))
        self._own["tables"] = np.ascontiguousarray(self.tables, dtype=np.float64).reshape(-1)
        self._measured, self._command = np.zeros(1, MEASURED), blank_command()

    def _record(self, which):
        layout = _layout(type(self), which)
        return self._own[which].view(np.dtype((np.record, layout)))[0, 0]

    @classmethod
    def compiled_function(cls):
        """The compiled step alone, loaded or compiled now; needs no set-up.  Raises ContractError."""
        if cls not in _COMPILED:
            from controllers.compiled_step import compile_update

            name = f"{cls.__name__}.update"
            update = _plain_update(cls, name)
            _COMPILED[cls] = compile_update(update, _layout(cls, "parameters"), _layout(cls, "state"), name)
        return _COMPILED[cls]

    def compiled_step(self):
        """This controller for the compiled run; shares this object's records."""
        return CompiledStep(self.compiled_function(), self._own["parameters"], self._own["state"], self._own["tables"])

    def step(self, measured):
        """(measured) => command, by the same machine code."""
        self._measured[0] = measured
        code = self.compiled_function()(self._measured, self._command, *self._own.values(), 0)
        if code:
            raise RuntimeError(f"it ended the run with its own code {code}")
        return told_command(self._command[0], len(self.signals))


def _plain_update(cls, name):
    """The function of a class's update; one that takes self has no compiled form.  Raises ContractError."""
    update = getattr(cls.update, "py_func", cls.update)
    if not isinstance(inspect.getattr_static(cls, "update"), staticmethod):
        raise ContractError(f"controller.class: {name} has no self, only p, s, m, c. Write @staticmethod above it.")
    if update.__code__.co_argcount not in (4, 5):
        got = ", ".join(update.__code__.co_varnames[: update.__code__.co_argcount])
        raise ContractError(
            f"controller.class: {name} takes ({got}); expected (p, s, m, c), or (p, s, m, c, tables). Change its arguments."
        )
    return update


def _layout(cls, which):
    """The record dtype of a class's parameters or state: aligned, a whole number of float64 long.  Raises ContractError."""
    given = getattr(cls, which)
    where = f"controller.class: {cls.__name__}.{which}"
    remedy = 'Write names of numbers, ("volts", "angle"), or a NumPy record dtype'
    names = isinstance(given, (tuple, list)) and all(isinstance(name, str) and name for name in given)
    try:
        layout = np.dtype(([(name, "f8") for name in given] or [("unused", "f8")]) if names else given, align=True)
    except (TypeError, ValueError) as error:
        raise ContractError(f"{where}: {error}. {remedy}.") from error
    if layout.names is None:
        raise ContractError(f"{where} = {given!r}: must name fields. {remedy}.")
    for name in layout.names:
        if not name.isidentifier():
            raise ContractError(f'{where}: "{name}" is no name. Use letters, digits and _, beginning with a letter.')
        if hasattr(np.void, name):
            raise ContractError(f'{where}: "{name}" is an attribute of every NumPy record. Rename the field.')
        if layout[name].base.kind not in "fiubV":
            raise ContractError(f'{where}: "{name}" is of type {layout[name]}; fields are numbers, arrays of them or records.')
    spare = -layout.itemsize % 8
    if spare:
        formats, offsets = zip(*layout.fields.values(), strict=True)
        layout = np.dtype(
            {"names": layout.names, "formats": formats, "offsets": offsets, "itemsize": layout.itemsize + spare}, align=True
        )
    return layout


