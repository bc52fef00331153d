"""Where the machine code of a user's compiled controller lives: a folder keyed by our sources and by what the code says.

numba notices a change of the function's own file only.  The key follows everything the function can reach: code, constants,
helper functions in any module, and the values of the globals that are compiled in.
"""

import hashlib
import os
import shutil
from pathlib import Path
from types import CodeType, FunctionType, ModuleType

import numpy as np

KEPT_FOLDERS = 100
_SHIPPED = ("simcore.", "controllers.")


def own_folder(function, *more):
    """(function to compile, what else shapes the code) => its cache folder, made where it is new."""
    from simcore.kernel import code_folder

    shelf = Path(code_folder()) / "own"
    folder = shelf / code_key(function, *more)
    folder.mkdir(parents=True, exist_ok=True)
    os.utime(folder)
    _forget_oldest(shelf)
    return str(folder)


def _forget_oldest(shelf):
    """Every edit makes a folder; the least lately used ones go."""
    folders = sorted(shelf.iterdir(), key=lambda folder: folder.stat().st_mtime, reverse=True)
    for folder in folders[KEPT_FOLDERS:]:
        shutil.rmtree(folder, ignore_errors=True)


def code_key(function, *more):
    """(function, further values) => 16 hex digits: equal where the same machine code would come out."""
    digest, seen = hashlib.sha256(), set()
    for value in (function, *more):
        _feed(digest, value, (), seen)
    return digest.hexdigest()[:16]


def _feed(digest, value, names, seen):
    """Adds a value to the key; names are those that the code around it uses, for what it takes from a module."""
    python = getattr(value, "py_func", value)
    if isinstance(python, FunctionType):
        _feed_function(digest, python, seen)
    elif isinstance(value, CodeType):
        digest.update(value.co_code + repr(value.co_names).encode())
        for constant in value.co_consts:
            _feed(digest, constant, names, seen)
    elif isinstance(value, ModuleType):
        digest.update(value.__name__.encode())
        if id(value) not in seen:
            seen.add(id(value))
            for name in names:
                if name in vars(value):
                    digest.update(name.encode())
                    _feed(digest, vars(value)[name], names, seen)
    elif isinstance(value, np.ndarray):
        digest.update(f"{value.dtype}{value.shape}".encode() + value.tobytes())
    elif isinstance(value, (tuple, list, frozenset)):
        digest.update(f"{type(value).__name__}{len(value)}".encode())
        for item in sorted(value, key=repr) if isinstance(value, frozenset) else value:
            _feed(digest, item, names, seen)
    elif isinstance(value, (int, float, complex, str, bytes, type(None), np.generic, np.dtype)):
        digest.update(f"{type(value).__name__}:{value!r};".encode())
    else:
        # Classes, built-in functions, ufuncs: known by name; their text would hold an address.
        digest.update(f"{type(value).__qualname__}:{getattr(value, '__qualname__', '')};".encode())


def _feed_function(digest, function, seen):
    digest.update(f"{function.__module__}.{function.__qualname__}".encode())
    if id(function) in seen or (function.__module__ or "").startswith(_SHIPPED):
        return  # what ships is in the key of the folder around
    seen.add(id(function))
    names = _names(function.__code__)
    _feed(digest, function.__code__, names, seen)
    _feed(digest, function.__defaults__ or (), names, seen)
    for cell in function.__closure__ or ():
        try:
            _feed(digest, cell.cell_contents, names, seen)
        except ValueError:  # a cell that is still empty
            continue
    for name in names:
        if name in function.__globals__:
            digest.update(name.encode())
            _feed(digest, function.__globals__[name], names, seen)


def _names(code):
    inner = [name for constant in code.co_consts if isinstance(constant, CodeType) for name in _names(constant)]
    return sorted({*code.co_names, *inner})
