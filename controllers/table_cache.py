"""Tables that take a while to make, kept on disk by what they are made of."""

import hashlib
import os
import tempfile
from functools import cache, lru_cache
from pathlib import Path

import numpy as np

import simcore.kernel
from simcore.kernel import cache_root


def cached_tables(key_arrays, builder, folder=None):
    """(numbers or arrays that determine the table, builder() => float64 array, folder) => the array.

    From disk if it is there; the key holds our sources too. A file that cannot be read is made again, a folder that
    cannot be written is passed over.
    """
    folder = Path(folder) if folder is not None else cache_root() / "tables"
    path = folder / f"{_key(key_arrays)}.npy"
    try:
        seen = os.stat(path)
        table = _loaded(path, (seen.st_mtime_ns, seen.st_size, seen.st_ino))
        if table is not None:
            return table
    except (OSError, ValueError, EOFError):
        pass
    table = np.ascontiguousarray(builder(), dtype=np.float64)
    _write(path, table)
    return table


@lru_cache(maxsize=8)
def _loaded(path, _stamp):
    """A file's table, None where it is none; many controllers of one machine share it and never write into it."""
    table = np.load(path, allow_pickle=False)
    return table if table.dtype == np.float64 and np.all(np.isfinite(table)) else None


@cache
def _begun():
    """The hash over NumPy's version and the sources that a table is made by."""
    digest = hashlib.sha256(np.__version__.encode())
    for folder in (Path(__file__).parent, Path(simcore.kernel.__file__).parent / "plant"):
        for source in sorted(folder.glob("*.py")):
            digest.update(source.read_bytes())
    return digest


def _key(key_arrays):
    digest = _begun().copy()
    for entry in key_arrays:
        entry = np.ascontiguousarray(entry, dtype=np.float64)
        digest.update(repr(entry.shape).encode() + entry.tobytes())
    return digest.hexdigest()[:24]


def _write(path, table):
    """Written beside and renamed: another process sees the whole file or none."""
    temporary = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, suffix=".part", delete=False) as file:
            temporary = file.name
            np.save(file, table)
        os.replace(temporary, path)
    except OSError:
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
