"""Ctrl-C at any moment: heard once, never lost, and clean-up is not cut short by impatience."""

import signal
import threading
from contextlib import contextmanager


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

    if threading.current_thread() is not threading.main_thread():
        yield check
        return
    before = signal.signal(signal.SIGINT, on_interrupt)
    try:
        yield check
    finally:
        signal.signal(signal.SIGINT, before)
