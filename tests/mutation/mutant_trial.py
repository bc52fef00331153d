"""One mutant at a time in a copy of the tree: apply, run the tests, restore."""

import math
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import time

COMPILE_s = 150  # of processor time, for the kernels that a mutant's tests use; generous
PASSED, FAILED, BROKEN = 0, 1, 2  # exit status of pytest; 2: a file that cannot even be imported


class Trial:
    """tree: copy of the repository; cache: folder for compiled code; every_test: test files that a survivor meets too."""

    def __init__(self, tree, cache, every_test):
        self.tree, self.cache, self.every_test = tree, cache, every_test
        self.seconds = {}
        self.kept = set()

    def measure_tests(self, paths):
        """Runs test files on the sound tree: all must pass; what they take tells a hang from a long run.  Exits otherwise."""
        self._pytest(self.every_test, 3600)  # compiles
        for path in sorted(paths | set(self.every_test)):
            begun = time.monotonic()
            outcome, by = self._pytest([path], 3600)
            self.seconds[path] = time.monotonic() - begun
            if outcome != "survived":
                sys.exit(f"{path} fails on the sound tree ({by}). Mend it first.")
        self.kept = {entry.name for entry in self.cache.iterdir()}
        print(f"{len(self.seconds)} test files pass on the sound tree in {sum(self.seconds.values()):.0f} s", flush=True)

    def of(self, mutant):
        """(mutant) => (caught, timed out or survived), the test that saw it, seconds, number of the line."""
        path = self.tree / mutant.file
        source, stat = path.read_text(), path.stat()
        begun = time.monotonic()
        try:
            path.write_text(mutant.applied(source))
            self._forget_bytecode(path)
            outcome, by = self._pytest(mutant.tests)
            if outcome == "survived":
                outcome, by = self._pytest([test for test in self.every_test if test not in mutant.tests])
        finally:
            path.write_text(source)
            os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))  # the sound tree's compiled code stays valid
            self._forget_bytecode(path)
            for entry in self.cache.iterdir():
                if entry.name not in self.kept:
                    shutil.rmtree(entry, ignore_errors=True)
        return outcome, by, round(time.monotonic() - begun), mutant.line(source)

    def _forget_bytecode(self, path):
        """A mutant may have the size and the second of what it replaces, by which Python tells its bytecode."""
        for stale in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
            stale.unlink()

    def _pytest(self, paths, limit_s=None):
        """(test files, processor time allowed [s]) => outcome and what saw it.  Waiting counts five times less than work."""
        limit_s = limit_s or COMPILE_s + math.ceil(3.0 * sum(self.seconds[path] for path in paths))
        command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *paths]
        process = subprocess.Popen(
            command, cwd=self.tree, env={**os.environ, "DRYBENCH_CACHE": str(self.cache)}, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True,
            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s + 5)),
        )  # fmt: skip
        try:
            told, _ = process.communicate(timeout=5 * limit_s)
        except subprocess.TimeoutExpired:
            return "timed out", f"after {5 * limit_s} s"
        finally:
            _end(process)
        if process.returncode in (-signal.SIGXCPU, -signal.SIGKILL):
            return "timed out", f"after {limit_s} s of work"
        if process.returncode == PASSED:
            return "survived", ""
        if process.returncode not in (FAILED, BROKEN) and process.returncode > 0:
            sys.exit(f"pytest could not run:\n{told}")
        seen = re.search(r"^(?:FAILED|ERROR) (\S+)", told, re.MULTILINE)
        return "caught", seen.group(1) if seen else f"exit status {process.returncode}"


def _end(process):
    """Ends the test run with all that it started."""
    try:
        os.killpg(process.pid, signal.SIGKILL)
    except ProcessLookupError:
        pass
    process.wait()
