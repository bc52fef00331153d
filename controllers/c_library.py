"""A controller in a C shared library, by the contract of drybench_controller.h (controllers/c_header.py)."""

import ctypes
import math
from numbers import Real
from pathlib import Path

import numpy as np

from controllers.c_header import FUNCTIONS, HEADER, layout_number
from controllers.contract import (
    MEASURED,
    CompiledStep,
    ContractError,
    Controller,
    TuningError,
    blank_command,
    told_command,
)
from controllers.library_file import load_library

MOST_STATE_BYTES = 1 << 28
_ALIGNED = 64


class _Value(ctypes.Structure):
    _fields_ = [
        ("name", ctypes.c_char_p),
        ("number", ctypes.c_double),
        ("text", ctypes.c_char_p),
        ("read", ctypes.c_int64),
    ]


class _Setup(ctypes.Structure):
    _fields_ = [
        ("update_s", ctypes.c_double),
        ("tick_s", ctypes.c_double),
        ("delay_updates", ctypes.c_int64),
        ("mode", ctypes.c_char_p),
        ("count", ctypes.c_int64),
        ("values", ctypes.POINTER(_Value)),
    ]


class CController(Controller):
    """One instance of a library's controller, with a state block of its own.  library_class() makes the class."""

    functions: dict
    state_bytes: int
    library_path: Path

    def reset(self, setup):
        """A zeroed block, then drybench_reset.  Raises TuningError for what the library refuses."""
        self._state = _aligned_rows(self.state_bytes)
        self._parameters = np.zeros((1, 1))
        self._parameters.view(np.int64)[0, 0] = ctypes.cast(self.functions["drybench_step"], ctypes.c_void_p).value
        self._measured, self._command = np.zeros(1, MEASURED), blank_command()
        told = set_up_values(setup)
        values = (_Value * len(told))(*((name.encode(), *pair, 0) for name, pair in told.items()))
        mode = str(setup.mode).encode()
        given = _Setup(setup.update_s, setup.tick_s, setup.delay_updates, mode, len(told), values)
        answer = self.functions["drybench_reset"](self._state.ctypes.data, ctypes.byref(given))
        if answer is not None:
            words = answer.decode(errors="replace").rstrip(". ") or "without a word"
            raise TuningError(f"controller.tuning: {type(self).__name__} refuses the set-up: {words}.")
        self._refuse_unread([value for value in values if value.name.startswith(b"tuning.")])

    def _refuse_unread(self, values):
        """A key that a library which reads its tuning by name never asked for is a slip of the pen."""
        read = [value.name.decode().removeprefix("tuning.") for value in values if value.read]
        unread = [value.name.decode() for value in values if not value.read]
        if read and unread:
            name = type(self).__name__
            raise TuningError(
                *(f"controller.{key}: {name} reads no such key. Of those given it reads {', '.join(read)}." for key in unread)
            )

    @staticmethod
    def compiled_function():
        """The step that calls a library, loaded or compiled now."""
        from controllers.c_step import compiled_c_step

        return compiled_c_step()

    def compiled_step(self):
        """This instance for the compiled run."""
        return CompiledStep(self.compiled_function(), self._parameters, self._state, np.zeros(0))

    def step(self, measured):
        """(measured) => command, by the same machine code."""
        self._measured[0] = measured
        places = (array.ctypes.data for array in (self._measured, self._command, self._state))
        if code := self.functions["drybench_step"](*places):
            raise RuntimeError(f"it ended the run with its own code {code}")
        return told_command(self._command[0], len(self.signals))


def _aligned_rows(size):
    """(bytes) => zeros, one row of float64 that begins at a multiple of 64 bytes and is a multiple long."""
    whole = max(_ALIGNED, -(-size // _ALIGNED) * _ALIGNED)
    raw = np.zeros(whole + _ALIGNED, np.uint8)
    begin = -raw.ctypes.data % _ALIGNED
    return raw[begin : begin + whole].view(np.float64).reshape(1, -1)


def set_up_values(setup):
    """(set-up) => {name: (number, None) or (0.0, text)} as drybench_setup carries them."""
    told = {}
    _flatten(told, "tuning", setup.tuning)
    _flatten(told, "machine", vars(setup.machine))
    _flatten(told, "inverter", vars(setup.inverter))
    if setup.inertia_kg_m2 is not None:
        told["inertia_kg_m2"] = (float(setup.inertia_kg_m2), None)
    return told


def _flatten(told, name, value):
    if isinstance(value, (Real, np.generic)):
        told[name] = (float(value), None)
    elif isinstance(value, str):
        told[name] = (math.nan, value.encode())
    elif isinstance(value, dict):
        for key, inner in value.items():
            _flatten(told, f"{name}.{key}", inner)
    elif isinstance(value, (list, tuple)):
        for index, inner in enumerate(value):
            _flatten(told, f"{name}.{index}", inner)


def library_class(path, *, alone=False):
    """(path of a shared library) => its controller class, named like the file.  Raises ContractError.

    alone=True gives it a copy of the library's static variables of its own.
    """
    path = Path(path)
    library = load_library(path, alone=alone)
    functions = _functions(library, path.name)
    layout, ours = functions["drybench_layout"](), layout_number()
    if layout != ours:
        raise ContractError(
            f'controller.class = "{path.name}": was compiled with another layout of {HEADER} (0x{layout:016x}; this drybench '
            f"has 0x{ours:016x}). Write the header anew with `drybench new header` and compile again."
        )
    size = functions["drybench_state_bytes"]()
    if not 0 <= size <= MOST_STATE_BYTES:
        raise ContractError(
            f'controller.class = "{path.name}": drybench_state_bytes returned {size}; expected 0 to {MOST_STATE_BYTES}. Return '
            "sizeof of the state struct."
        )
    names = (functions["drybench_signals"]() or b"").decode(errors="replace")
    signals = tuple(name.strip() for name in names.split(",")) if names.strip() else ()
    body = {"functions": functions, "state_bytes": size, "signals": signals, "library_path": path}
    return type(path.name, (CController,), {**body, "__doc__": f"The controller in {path}."})


def _functions(library, name):
    missing = [symbol for symbol in FUNCTIONS if not hasattr(library, symbol)]
    if missing:
        few, them = ("function", "it") if len(missing) == 1 else ("functions", "them")
        raise ContractError(
            f'controller.class = "{name}": has no {few} {", ".join(missing)}. Define {them} as {HEADER} declares, with '
            "DRYBENCH_EXPORT."
        )
    types = {
        "drybench_layout": (ctypes.c_uint64, ()),
        "drybench_state_bytes": (ctypes.c_int64, ()),
        "drybench_signals": (ctypes.c_char_p, ()),
        "drybench_reset": (ctypes.c_char_p, (ctypes.c_void_p, ctypes.c_void_p)),
        "drybench_step": (ctypes.c_int64, (ctypes.c_void_p,) * 3),
    }
    for symbol, (result, arguments) in types.items():
        function = getattr(library, symbol)
        function.restype, function.argtypes = result, arguments
    return {symbol: getattr(library, symbol) for symbol in FUNCTIONS}
