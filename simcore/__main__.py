"""`python -m simcore` is `drybench`; both begin here, so that Ctrl-C needs no traceback from the first moment to the last."""

import os
import signal
import sys


def main():
    """Load the commands and run the one that was asked for."""
    try:
        from simcore.cli import main as commands
    except KeyboardInterrupt:
        # Half-loaded modules have nothing to tidy up, and would only complain.
        sys.stderr.write("Stopped.\n")
        sys.stderr.flush()
        os._exit(130)
    try:
        commands(prog_name="drybench")
    finally:
        # What is left is Python's own end.
        signal.signal(signal.SIGINT, signal.SIG_IGN)


if __name__ == "__main__":
    main()
