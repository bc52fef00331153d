"""What `drybench explain` does."""

import json
import sys

from simcore.report.interruption import interruptible
from simcore.report.progress import Note, say
from simcore.report.results import plain
from simcore.scenario import ScenarioError

TOLD, WRONG_INPUT = 0, 2


def explain_folder(folder, *, as_json=False):
    """(result folder) => exit status; the explanation is printed."""
    from rich.console import Console

    from simcore.study.explain.explanation import as_dict, explain_recording
    from simcore.study.explain.stored import read_results
    from simcore.study.explain.text import print_explanation

    with interruptible() as check:
        try:
            recording = read_results(folder)
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
