"""What a run is busy with, on the error stream: a bar for long runs, a note while compiling or writing takes long."""

import sys
import threading
import time

COMPILE_NOTE_AFTER_S = 2.5
WRITING_NOTE_AFTER_S = 1.5
BAR_FROM_S = 2.0
_LEAST_SEEN_S = 0.3  # of a run, before its length is guessed


def say(text):
    """A plain line to the error stream."""
    print(text, file=sys.stderr, flush=True)


class Note:
    """A line that appears where the block inside takes longer than a moment; `passing` ones go again and need a terminal."""

    def __init__(self, text, after_s, *, quiet=False, passing=False):
        self._text, self._passing = text, passing
        self._shown, self._over = False, quiet or (passing and not sys.stderr.isatty())
        self._lock = threading.Lock()
        self._timer = threading.Timer(after_s, self._tell)
        self._timer.daemon = True

    def _tell(self):
        with self._lock:
            if not self._over:
                self._shown = True
                print(self._text, end="" if self._passing else "\n", file=sys.stderr, flush=True)

    def __enter__(self):
        if not self._over:
            self._timer.start()
        return self

    def __exit__(self, *_):
        self._timer.cancel()
        with self._lock:
            self._over = True
            if self._shown and self._passing:
                print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def compile_note(quiet):
    """A note while kernels are compiled for the first time; loading them takes no such time."""
    text = "Compiling the simulation kernels (only after an installation or an upgrade; 20 to 40 seconds) ..."
    return Note(text, COMPILE_NOTE_AFTER_S, quiet=quiet)


def writing_note(label, quiet):
    """A note while a large recording is judged and written."""
    return Note(f"{label}: writing the results ...", WRITING_NOTE_AFTER_S, quiet=quiet, passing=True)


class Bar:
    """A progress bar in a terminal: callable with (done_s, total_s), it opens where the run will take over two seconds."""

    def __init__(self, label, quiet=False):
        self._label, self._silent = label, quiet or not sys.stderr.isatty()
        self._first = None
        self._progress = None

    def __call__(self, done_s, total_s):
        if self._silent:
            return
        if self._first is None:
            self._first = (time.perf_counter(), done_s)
        if self._progress is None:
            if self._expected_s(done_s, total_s) < BAR_FROM_S or done_s >= total_s:
                return
            self._open(total_s)
        self._progress.update(self._task, completed=done_s)

    def _expected_s(self, done_s, total_s):
        """Length of the run, guessed from what has gone by since the first call; 0 while that is too little."""
        began, first_s = self._first
        spent = time.perf_counter() - began
        if spent < _LEAST_SEEN_S or done_s <= first_s:
            return 0.0
        return spent * (total_s - first_s) / (done_s - first_s)

    def _open(self, total_s):
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        # A controller that prints into a pipe keeps its pipe.
        self._progress = Progress(
            TextColumn("{task.description}", markup=False), BarColumn(), TextColumn("{task.percentage:3.0f} %"),
            TimeRemainingColumn(), console=Console(stderr=True), transient=True, redirect_stdout=sys.stdout.isatty(),
        )  # fmt: skip
        self._progress.start()
        self._task = self._progress.add_task(self._label, total=total_s)

    def close(self):
        """Take the bar off the terminal."""
        if self._progress is not None:
            self._progress.stop()
            self._progress = None
            self._silent = True
