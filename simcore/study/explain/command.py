"""What `drybench explain` does."""

import json
import sys

from simcore.report.interruption import interruptible
from simcore.report.progress import Note, say
from simcore.report.results import plain
from simcore.scenario import ScenarioError

TOLD, WRONG_INPUT = 0, 2


def explain_results(path, *, as_json=False):
    """(result folder, or a file of a recording) => exit status; the explanation is printed."""
    from rich.console import Console

    from simcore.study.explain.explanation import as_dict, explain_recording
    from simcore.study.explain.stored import read_recording
    from simcore.study.explain.text import print_explanation

    with interruptible() as check:
        try:
            recording = read_recording(path)
        except ScenarioError as error:
            say(str(error))
            return WRONG_INPUT
        with Note("Looking for causes ...", 2.0, passing=True):
            told = explain_recording(recording)
        check()
    if as_json:
        print(json.dumps(plain(as_dict(told)), indent=2), file=sys.stdout)
    else:
        print_explanation(told, recording, Console(highlight=False))
    return TOLD
