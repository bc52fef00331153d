"""Faults of drybench itself: one sentence for the user, the traceback in a file for whoever mends it."""

import os
import platform
import sys
import tempfile
import traceback
from pathlib import Path

from simcore.report.results import drybench_version

FILE = "traceback.txt"


def told_unexpected(error, folder=None, about=""):
    """(exception, folder for the traceback or None, what it happened to) => the sentence that asks to report it.

    The traceback goes into traceback.txt in the folder, else in the system's temporary one; with DRYBENCH_DEBUG set it is
    shown on the error stream instead.
    """
    text = "".join(traceback.format_exception(error))
    if os.environ.get("DRYBENCH_DEBUG"):
        print(text, file=sys.stderr, end="", flush=True)
        where = "the traceback above"
    else:
        file = _written(text, folder, about)
        where = str(file) if file else "what DRYBENCH_DEBUG=1 in the environment shows"
    kind = type(error).__name__
    reason = " ".join(str(error).split())[:200]
    head = f"{about}: " if about else ""
    said = f"{kind}: {reason}" if reason else kind
    return f"{head}drybench itself failed ({said}). This should not happen, whatever the input: please report it with {where}."


def _written(text, folder, about):
    """Path of the file with the traceback, None where no folder takes it."""
    head = f"drybench {drybench_version()}, Python {platform.python_version()}, {platform.platform()}\n{about}\n\n"
    for place in (folder, Path(tempfile.gettempdir()) / "drybench"):
        if place is None:
            continue
        try:
            Path(place).mkdir(parents=True, exist_ok=True)
            file = Path(place) / FILE
            file.write_text(head + text, encoding="utf-8", errors="backslashreplace")
        except OSError:
            continue
        return file
    return None
