"""The cache key covers every source whose text ends up in machine code."""

import ast
import threading
import time
from pathlib import Path

from numba import config

import simcore
from simcore.kernel import code_cache, kernel_sources

ROOT = Path(simcore.__file__).resolve().parent.parent
PACKAGES = ("simcore", "controllers")


def _imported_files(source):
    for node in ast.walk(ast.parse(source.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] in PACKAGES:
            yield ROOT.joinpath(*node.module.split(".")).with_suffix(".py")


def test_whatever_a_kernel_source_imports_is_itself_in_the_key():
    sources = set(kernel_sources())
    shells = {ROOT / "controllers" / name for name in ("foc.py", "table_cache.py", "compiled_step.py")}
    shells.add(ROOT / "simcore" / "loop" / "shims.py")
    missing = {
        f"{source.name} imports {used.name}"
        for source in sources - shells
        for used in _imported_files(source)
        if used.is_file() and used not in sources
    }
    assert not missing


def test_threads_that_compile_at_once_keep_out_of_each_other_s_folder(tmp_path):
    seen, before = [], config.CACHE_DIR

    def compiles(folder):
        with code_cache(folder):
            time.sleep(0.01)
            seen.append((config.CACHE_DIR, folder))

    threads = [threading.Thread(target=compiles, args=(str(tmp_path / str(k)),)) for k in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(seen) == 5 and all(used == wanted for used, wanted in seen)
    assert config.CACHE_DIR == before
