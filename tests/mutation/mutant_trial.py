"""One mutant at a time in a copy of the tree: switch it on or write it, run the tests, restore."""

import json
import math
import os
import re
import shutil
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

from mutant_switch import MODULE, MODULE_TEXT, with_switches

COMPILE_s = 200  # of processor time, for all kernels that tests use; generous
PASSED, FAILED, BROKEN = 0, 1, 2  # exit status of pytest; 2: a file that cannot even be imported


class Trial:
    """tree: copy of the repository; cache: folder for compiled code; every_test: test files that a survivor meets too."""

    def __init__(self, tree, cache, every_test):
        self.tree, self.cache, self.every_test = tree, cache, every_test
        self.sources, self.numbers = {}, {}
        self.seconds, self.kept = {}, set()
        self.catches = Counter()
        self.server = Server(tree, cache)

    def prepare(self, mutants):
        """Compiles all that can be switched into one program (at the first test run)."""
        (self.tree / MODULE).write_text(MODULE_TEXT)
        for file in {mutant.file for mutant in mutants}:
            numbered = {number: mutant for number, mutant in enumerate(mutants, start=1) if mutant.file == file}
            self.sources[file] = (self.tree / file).read_text()
            text, held = with_switches(self.sources[file], numbered)
            if held:
                (self.tree / file).write_text(text)
            self.numbers |= {numbered[number]: number for number in held}

    def _sound(self, paths):
        """Test files that a mutant is to meet pass while none is on, else exits; their time tells a hang from a long run."""
        for path in paths:
            if path in self.seconds:
                continue
            begun = time.monotonic()
            outcome, by = self._pytest([path], limit_s=3600)
            self.seconds[path] = time.monotonic() - begun
            print(f"{path} passes while no mutant is on ({self.seconds[path]:.0f} s)", flush=True)
            if outcome != "survived":
                sys.exit(f"{path} fails on the sound tree ({by}). Mend it first.")
        self.kept = {entry.name for entry in self.cache.iterdir()}

    def of(self, mutant, widely=False):
        """(mutant) => caught, timed out or survived; the test that saw it; seconds.  widely: with all tests but its own."""
        paths = [test for test in self.every_test if test not in mutant.tests] if widely else list(mutant.tests)
        self._sound(paths)
        paths.sort(key=lambda path: -self.catches[mutant.file, path])  # stable: the list's order among equals
        begun = time.monotonic()
        if mutant in self.numbers:
            outcome, by = self._pytest(paths, self.numbers[mutant])
        else:
            outcome, by = self._written(mutant, paths)
        self.catches[mutant.file, by.partition("::")[0]] += 1
        return outcome, by, round(time.monotonic() - begun)

    def _written(self, mutant, paths):
        """A mutant that cannot be switched: its text in place of the file's, compiled anew."""
        path = self.tree / mutant.file
        text, stat = path.read_text(), path.stat()
        try:
            path.write_text(mutant.applied(self.sources[mutant.file]))
            self._forget_bytecode(path)
            return self._pytest(paths, fresh=True)
        finally:
            path.write_text(text)
            os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))  # its compiled code stays valid
            self._forget_bytecode(path)
            for entry in self.cache.iterdir():
                if entry.name not in self.kept:
                    shutil.rmtree(entry, ignore_errors=True)

    def _forget_bytecode(self, path):
        """A mutant may have the size and the second of what it replaces, by which Python tells its bytecode."""
        for stale in (path.parent / "__pycache__").glob(f"{path.stem}.*.pyc"):
            stale.unlink()

    def _pytest(self, paths, number=0, limit_s=None, fresh=False):
        """(test files, mutant that is on, processor time allowed [s], in a process of its own) => outcome, what saw it."""
        limit_s = limit_s or COMPILE_s + math.ceil(3.0 * sum(self.seconds[path] for path in paths))
        server = Server(self.tree, self.cache, preload=False) if fresh else self.server
        status, told = server.run(paths, number, limit_s)
        if fresh:
            server.end()
        if status is None:
            return "timed out", f"after {limit_s} s of work"
        if status == PASSED:
            return "survived", ""
        if status > 0 and status not in (FAILED, BROKEN):
            sys.exit(f"pytest could not run:\n{told}")
        seen = re.search(r"^(?:FAILED|ERROR) (\S+)", told, re.MULTILINE)
        return "caught", seen.group(1) if seen else f"exit status {status}"


class Server:
    """A process that runs tests in forks of itself (mutant_server.py), started when it is first needed."""

    def __init__(self, tree, cache, preload=True):
        environment = {**os.environ, "DRYBENCH_CACHE": str(cache), "OPENBLAS_NUM_THREADS": "1"}
        self.command = {
            "args": [sys.executable, str(Path(__file__).with_name("mutant_server.py")), *["preload"] * preload],
            "cwd": tree, "env": environment, "text": True, "stdin": subprocess.PIPE, "stdout": subprocess.PIPE,
        }  # fmt: skip
        self.process = None

    def run(self, paths, number, limit_s):
        """(test files, mutant, processor time allowed [s]) => exit status of pytest, None for a hang; what it printed."""
        self.process = self.process or subprocess.Popen(**self.command)
        self.process.stdin.write(json.dumps({"paths": list(paths), "number": number, "limit_s": limit_s}) + "\n")
        self.process.stdin.flush()
        answer = self.process.stdout.readline()
        if not answer:
            sys.exit("The test server has ended by itself.")
        return tuple(json.loads(answer).values())

    def end(self):
        """Stops the process and the test run it may be in."""
        if self.process:
            self.process.terminate()
            self.process.wait()
