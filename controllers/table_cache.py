"""Tables that take a while to make, kept on disk by what they are made of."""

import hashlib
import os
import tempfile
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
        table = np.load(path, allow_pickle=False)
        if table.dtype == np.float64 and np.all(np.isfinite(table)):
            return table
    except (OSError, ValueError, EOFError):
        pass
    table = np.ascontiguousarray(builder(), dtype=np.float64)
    _write(path, table)
    return table


def _key(key_arrays):
    digest = hashlib.sha256(np.__version__.encode())
    for folder in (Path(__file__).parent, Path(simcore.kernel.__file__).parent / "plant"):
        for source in sorted(folder.glob("*.py")):
            digest.update(source.read_bytes())
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
