"""Where a controller may keep state outside its instance: variables of class and module, defaults and closures of functions."""

import hashlib
import inspect
import pickle
import sys
from types import FunctionType, ModuleType

_SHIPPED = ("controllers.", "simcore.")


def variables_of(kind):
    """(class) => {"module.total": fingerprint, "Spin.count": ..., "a default of Spin.step": ...} of what could hold state."""
    found = {}
    for owner in filter(_theirs, kind.__mro__):
        for name, value in vars(owner).items():
            function = getattr(value, "__func__", value)
            if isinstance(function, FunctionType):
                _function(found, f"{owner.__name__}.{name}", function)
            elif not _machinery(name, value):
                found[f"{owner.__name__}.{name}"] = fingerprint(value)
        module = None if _of_python(owner.__module__) else sys.modules.get(owner.__module__)
        for name, value in vars(module).items() if module is not None else ():
            if isinstance(value, FunctionType) and value.__module__ == owner.__module__:
                _function(found, name, value)
            elif not _machinery(name, value) and not isinstance(value, FunctionType):
                found[f"{_plain(owner.__module__)}.{name}"] = fingerprint(value)
    return found


def _theirs(owner):
    """A class of the user's: neither shipped nor Python's."""
    module = owner.__module__
    # A class made by calling its metaclass calls the metaclass's module its own.
    return not module.startswith(_SHIPPED) and not (_of_python(module) and hasattr(sys.modules[module], owner.__name__))


def _of_python(module):
    return module.split(".")[0] in sys.stdlib_module_names


def _function(found, name, function):
    kept = (function.__defaults__, function.__kwdefaults__, {k: v for k, v in vars(function).items() if not k.startswith("__")})
    for what, value in zip(("a default value of", "a default value of", "an attribute of"), kept, strict=True):
        if value:
            found[f"{what} {name}"] = fingerprint(value)
    for variable, cell in zip(function.__code__.co_freevars, function.__closure__ or (), strict=True):
        try:
            if not _machinery(variable, cell.cell_contents) and not callable(cell.cell_contents):
                found[f"{variable}, closed over by {name}"] = fingerprint(cell.cell_contents)
        except ValueError:
            continue


def _machinery(name, value):
    """What belongs to Python or a compiler and is nobody's state."""
    plain = not name.startswith("__") and name != "_abc_impl" and not hasattr(value, "py_func")
    return not plain or isinstance(value, (ModuleType, type, property))


def _plain(module):
    """Name of the user's file: modules beside a scenario carry a private one."""
    if module.startswith("_drybench_"):
        return module.removeprefix("_drybench_").rsplit("_", 1)[0]
    return module.rsplit(".", 1)[-1]


def fingerprint(value):
    """Text that changes when a value does; equal for what cannot be looked into."""
    try:
        return f"{value!r:.80}" if isinstance(value, (int, float, str, type(None))) else _digest(pickle.dumps(value))
    except Exception:
        return "" if not hasattr(value, "__dict__") else _digest(repr(sorted(map(str, vars(value).items()))).encode())


def _digest(data):
    return hashlib.sha256(data).hexdigest()


def changed(before, after):
    """Names whose value is another, or new."""
    return [name for name, value in after.items() if before.get(name) != value]


def attributes(controller):
    """{name: (fingerprint, how it reads)} of an instance, its own bookkeeping aside."""
    members = {name: value for name, value in vars(controller).items() if not inspect.ismodule(value)}
    return {name: (fingerprint(value), f"{value!r:.60}") for name, value in members.items()}
