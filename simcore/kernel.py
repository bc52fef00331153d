"""The decorator of every compiled function, and the cache folder their machine code lives in.

numba stamps a cached function with its own file only: an edited callee would leave stale code in use. The folder is
therefore keyed by a hash over all kernel sources and the numba version.
"""

import hashlib
import os
import tempfile
import threading
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import numba
from numba import config, njit, types

_ROOT = Path(__file__).resolve().parent
_KERNEL_FOLDERS = (
    *(_ROOT / room for room in ("plant", "inverter", "sensing", "safety", "loop")), _ROOT.parent / "controllers",
)  # fmt: skip


def cache_root():
    """Folder for everything that can be made again: compiled code and tables. DRYBENCH_CACHE overrides it."""
    chosen = os.environ.get("DRYBENCH_CACHE")
    if chosen:
        return Path(chosen).expanduser().resolve()
    from platformdirs import user_cache_path

    return user_cache_path("drybench", appauthor=False)


def kernel_sources():
    """Files whose text ends up in machine code: those that define kernels, and the layouts and constants they use."""
    found = [_ROOT / "kernel.py", _ROOT / "rotation.py", _ROOT.parent / "controllers" / "contract.py"]
    for folder in _KERNEL_FOLDERS:
        for source in sorted(folder.glob("*.py")):
            if source.name.endswith("records.py") or b"\nfrom simcore.kernel import " in source.read_bytes():
                found.append(source)
    return found


@cache
def sources_key():
    """Hash over the text of all kernel sources, the numba version and the compile options (16 hex digits)."""
    digest = hashlib.sha256(f"{numba.__version__} {numba.config.DISABLE_JIT}".encode())
    for source in kernel_sources():
        digest.update(source.name.encode() + source.read_bytes())
    return digest.hexdigest()[:16]


@cache
def code_folder():
    """The compiled code's folder as text; a temporary one where the user's cache cannot be written."""
    folder = cache_root() / f"code-{sources_key()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError:
        folder = Path(tempfile.gettempdir()) / f"drybench-code-{os.getuid() if hasattr(os, 'getuid') else 0}-{sources_key()}"
        folder.mkdir(parents=True, exist_ok=True)
    return str(folder)


_CACHING = threading.RLock()


@contextmanager
def code_cache(folder=None):
    """Within this block numba caches into our folder; elsewhere a user's own kernels keep theirs. One thread at a time."""
    with _CACHING:
        before = config.CACHE_DIR
        config.CACHE_DIR = folder or code_folder()
        try:
            yield
        finally:
            config.CACHE_DIR = before


# Kernels own no memory: without reference counting an array argument costs no atomic instruction a call.
# numba hands forceinline down to every callee that does not say otherwise, so that all say it.
_OPTIONS = {"cache": True, "error_model": "numpy", "_nrt": False, "forceinline": False}
_INNER = {"no_cfunc_wrapper": True}


def kernel(function):
    """njit without fastmath, cached by source: bit-equal results across threads, batches and processes of one machine."""
    with code_cache():
        return _for_any_number(njit(**_OPTIONS | _INNER)(function))


def inlined(function):
    """A kernel that is always inlined: small functions on the hot path, and those that only hand arrays on to one callee.

    An array is seven words a call.  Never for a large function with several callers, which only compiles longer.
    """
    with code_cache():
        return _for_any_number(njit(**_OPTIONS | _INNER | {"forceinline": True})(function))


def _for_any_number(dispatcher):
    """numba compiles a kernel anew for every literal number it is called with; ours are compiled once a type.

    That saves a seventh of the first start.  LLVM sees the number all the same where it inlines the call.
    """
    template = getattr(dispatcher, "get_call_template", None)  # none with the compiler off, nor if numba drops it

    def without_literals(args, kws):
        return template([types.unliteral(kind) for kind in args], {name: types.unliteral(kind) for name, kind in kws.items()})

    if template is not None:
        dispatcher.get_call_template = without_literals
    return dispatcher


def entry(function, signature, *, counted=False, threads=False):
    """A kernel that Python calls: compiled, or loaded from the cache, at once for this signature.

    counted turns reference counting on, which a kernel needs that makes arrays of its own. threads lets other threads of
    Python run meanwhile.
    """
    with code_cache():
        return njit(signature, **(_OPTIONS | {"_nrt": counted, "nogil": threads}))(function)
