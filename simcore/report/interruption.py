"""Ctrl-C at any moment: heard once, never lost, and clean-up is not cut short by impatience."""

import os
import signal
import socket
import sys
import threading
from contextlib import contextmanager

STOPPED = 130
SENTENCE = "Stopped. Results that were whole are kept; the running scenario left none."


def say_stopped():
    """The sentence, on a line of its own where a terminal shows ^C."""
    print(("\n" if sys.stderr.isatty() else "") + SENTENCE, file=sys.stderr, flush=True)


def _hears_signals():
    return threading.current_thread() is threading.main_thread()


@contextmanager
def interruptible():
    """Within the block Ctrl-C raises KeyboardInterrupt; a second press is let pass, so that clean-up ends, a third is not.

    Yields a function that raises it if it was pressed: Python drops what is raised inside finalizers and callbacks, so the
    question is asked again between the stages. Outside the main thread, where Python hears no signals, nothing is changed.
    """
    pressed = []

    def on_interrupt(*_):
        pressed.append(True)
        if len(pressed) != 2:
            raise KeyboardInterrupt

    def check():
        if pressed:
            raise KeyboardInterrupt

    if not _hears_signals():
        yield check
        return
    before = signal.signal(signal.SIGINT, on_interrupt)
    try:
        yield check
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def ended_at_once():
    """Within the block, which writes nothing, Ctrl-C says so and ends the process without a look back.

    For work inside a compiler, which neither hears of signals for seconds nor lets an exception through its callbacks: a
    thread of its own waits for the signal's number at a pair of sockets.
    """
    if not _hears_signals():
        yield
        return
    ear, mouth = socket.socketpair()
    mouth.setblocking(False)

    def listen():
        if ear.recv(1) == bytes([signal.SIGINT]):
            say_stopped()
            os._exit(STOPPED)

    listener = threading.Thread(target=listen, daemon=True)
    listener.start()
    handler = signal.signal(signal.SIGINT, lambda *_: None)
    wakeup = signal.set_wakeup_fd(mouth.fileno(), warn_on_full_buffer=False)
    try:
        yield
    finally:
        signal.set_wakeup_fd(wakeup)
        signal.signal(signal.SIGINT, handler)
        mouth.send(b"\0")
        listener.join()
        ear.close()
        mouth.close()
