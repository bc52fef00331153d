"""The cache key covers every source whose text ends up in machine code."""

import ast
from pathlib import Path

import simcore
from simcore.kernel import kernel_sources

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
