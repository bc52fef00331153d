"""Ctrl-C at any moment: status 130, one sentence, no traceback, and nothing half-written."""

import os
import pty
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from simcore.report.files import replaced_folder
from simcore.report.interruption import SENTENCE, interruptible

ROOT = Path(__file__).resolve().parent.parent.parent
SCENARIO = ROOT / "scenarios" / "torque_steps.toml"
LONG = "run.duration_s=10"


def command(folder, *args):
    return [sys.executable, "-m", "simcore", "run", str(SCENARIO), "--out", str(folder), *args]


def environment(**extra):
    return {**os.environ, "PYTHONPATH": str(ROOT), **extra}


def left_in(folder):
    return sorted(path.name for path in folder.rglob("*")) if folder.exists() else []


def interrupted(folder, *args, ready, presses=1, **extra):
    """Run until ready(folder, error text) is true, press Ctrl-C; => (status, all of the error stream, seconds to the end)."""
    process = subprocess.Popen(
        command(folder, *args), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=environment(**extra), preexec_fn=listen
    )
    os.set_blocking(process.stderr.fileno(), False)
    said, limit = b"", time.monotonic() + 30.0
    while not ready(folder, said.decode()):
        assert process.poll() is None and time.monotonic() < limit, said.decode()
        said += process.stderr.read() or b""
        time.sleep(0.002)
    pressed = time.monotonic()
    for _ in range(presses):
        process.send_signal(signal.SIGINT)
        time.sleep(0.005)
    os.set_blocking(process.stderr.fileno(), True)
    said += process.stderr.read()
    return process.wait(30.0), said.decode(), time.monotonic() - pressed


def listen():
    """A process begun in the background of a shell would not hear Ctrl-C."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def is_writing(folder, _):
    return any(path.name.startswith(".torque_steps.partial") and any(path.iterdir()) for path in folder.glob(".*"))


def is_drawing(folder, _):
    """The picture follows the recording."""
    return any(path.stat().st_size > 1_000_000 for path in folder.glob(".torque_steps.partial-*/recording.npz"))


@pytest.mark.parametrize("presses", [1, 2])
def test_stopped_while_writing_nothing_is_left(tmp_path, presses):
    folder = tmp_path / "results"
    status, said, _ = interrupted(folder, "--set", LONG, "--no-plot", ready=is_writing, presses=presses)
    assert (status, said) == (130, f"{SENTENCE}\n") and left_in(tmp_path) == []


def test_stopped_while_drawing_the_older_result_stays(tmp_path):
    older = tmp_path / "torque_steps"
    older.mkdir()
    (older / "metrics.json").write_text("older")
    status, said, _ = interrupted(tmp_path, ready=is_drawing)
    assert (status, said) == (130, f"{SENTENCE}\n")
    assert left_in(tmp_path) == ["metrics.json", "torque_steps"] and (older / "metrics.json").read_text() == "older"


def test_stopped_while_compiling(tmp_path):
    def compiling(_, said):
        return "Compiling the simulation kernels" in said

    status, said, took_s = interrupted(tmp_path / "results", ready=compiling, DRYBENCH_CACHE=str(tmp_path / "cache"))
    # The compiler would go on for many seconds.
    assert took_s < 12.0
    assert status == 130 and said.count("\n") == 2 and said.endswith(f"{SENTENCE}\n")
    assert left_in(tmp_path / "results") == []


@pytest.mark.parametrize("delay_s", [0.15, 0.35, 0.6])
def test_stopped_while_starting(tmp_path, delay_s):
    begun = time.monotonic()
    status, said, _ = interrupted(tmp_path, ready=lambda *_: time.monotonic() - begun > delay_s)
    if status == -signal.SIGINT:
        pytest.skip("stopped before Python reached our code")
    assert status == 130 and said in (f"{SENTENCE}\n", "Stopped.\n") and left_in(tmp_path) == []


def test_stopped_by_the_key_in_a_terminal_while_the_bar_shows(tmp_path):
    """A slow run in a terminal of its own: the bar opens, ^C closes it."""
    (tmp_path / "slow.py").write_text(
        "import time\nfrom controllers import Command, Controller\n\n\nclass Slow(Controller):\n"
        "    def reset(self, setup):\n        pass\n\n"
        "    def step(self, measured):\n        time.sleep(2e-4)\n        return Command(0.5, 0.5, 0.5)\n"
    )
    process, terminal = pty.fork()
    if process == 0:
        own = ["--set", f"controller.class={tmp_path / 'slow.py'}:Slow", "--set", LONG]
        os.execve(sys.executable, command(tmp_path / "results", *own), environment(TERM="xterm", COLUMNS="80"))
    said, pressed, limit = b"", False, time.monotonic() + 30.0
    while time.monotonic() < limit:
        if select.select([terminal], [], [], 0.1)[0]:
            try:
                said += os.read(terminal, 65536)
            except OSError:
                break
        if b"torque_steps" in said and b" %" in said and not pressed:
            os.write(terminal, b"\x03")
            pressed = True
    _, status = os.waitpid(process, 0)
    text = said.decode()
    assert pressed and os.waitstatus_to_exitcode(status) == 130, text
    assert text.rstrip().endswith(SENTENCE) and "Traceback" not in text
    # The cursor, hidden by the bar, is shown again.
    assert text.rfind("\x1b[?25h") > text.rfind("\x1b[?25l")
    assert left_in(tmp_path / "results") == []


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_press_that_a_finalizer_swallowed_is_asked_for_again():
    class Swallows:
        def __del__(self):
            signal.raise_signal(signal.SIGINT)

    before = signal.getsignal(signal.SIGINT)
    with interruptible() as check:
        check()
        Swallows()
        with pytest.raises(KeyboardInterrupt):
            check()
        # The second press waits for the clean-up, the third is impatient.
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before


def test_a_folder_that_was_made_for_the_results_goes_again_when_there_are_none(tmp_path):
    with pytest.raises(KeyboardInterrupt), replaced_folder(tmp_path / "results" / "x"):
        raise KeyboardInterrupt
    assert left_in(tmp_path) == []
    (tmp_path / "results").mkdir()
    with pytest.raises(KeyboardInterrupt), replaced_folder(tmp_path / "results" / "x"):
        raise KeyboardInterrupt
    assert left_in(tmp_path) == ["results"]
