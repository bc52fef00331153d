"""The cache key covers every source whose text ends up in machine code."""

import ast
import threading
import time
from pathlib import Path

import pytest
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
    shells |= {ROOT / "simcore" / "loop" / name for name in ("shims.py", "first_compile.py")}
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


def test_what_a_second_process_compiles_at_the_first_start_is_what_the_run_calls():
    from simcore.loop import faulty_interval, first_compile, interval, stages
    from simcore.loop.run import compiled_run
    from simcore.safety import monitor, monitor_hardware

    compiled_run()
    first_compile.compile_intervals()
    first_compile.compile_stages()
    for kernel in (
        interval.advance_switched, interval.advance_averaged, faulty_interval.advance_faulty, stages.sense, stages.account,
        stages.begin_tick, stages.apply_command, stages.record_state, stages.take_command, monitor.protect,
        monitor_hardware.watch_tick,
    ):  # fmt: skip
        assert len(kernel.signatures) == 1, kernel


@pytest.mark.parametrize("half", ["pass", "raise SystemExit(1)", "import time; time.sleep(600)"])
def test_the_second_process_is_a_matter_of_speed_alone(tmp_path, monkeypatch, half):
    from simcore.loop import ensemble, first_compile

    begun = []
    monkeypatch.setattr(first_compile, "HALF", half)
    monkeypatch.setattr(first_compile, "code_folder", lambda: str(tmp_path))
    monkeypatch.setattr(first_compile, "compile_stages", lambda: begun.append("stages"))
    monkeypatch.setattr(ensemble, "usable_cores", lambda: 2)
    if "sleep" in half:  # given up, for instance by Ctrl-C: the process ends too
        with pytest.raises(KeyboardInterrupt), first_compile.second_process():
            raise KeyboardInterrupt
        return
    with first_compile.second_process() as both_halves:
        both_halves()
    assert begun == ["stages"]
    (tmp_path / "loop").mkdir()
    (tmp_path / "loop" / "interval.advance_switched-98.py311.nbi").touch()
    with first_compile.second_process() as both_halves:
        both_halves()
    assert begun == ["stages"]
