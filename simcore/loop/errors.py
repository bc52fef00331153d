"""Sentences for runs that could not finish; the kernels give a status code and a tick."""

import os
from pathlib import Path

from simcore.loop import records as r

_OURS = [str(Path(__file__).resolve().parents[2] / room) + os.sep for room in ("simcore", "controllers")]


class RunError(RuntimeError):
    """A run that could not finish.  `recording` holds what was recorded before, or None."""

    def __init__(self, sentence, recording):
        super().__init__(sentence)
        self.recording = recording


def where(scenario, tick):
    """'tick 1234 (0.0617 s)'."""
    return f"tick {tick} ({tick * scenario.tick_s:.6g} s)"


def controller_sentence(controller, what, error, place="", *, inside=True):
    """(controller, 'step' or 'reset', exception) => one sentence with the line in the controller's file.

    inside=False: it comes out of compiled code, which keeps no lines.
    """
    at = _line_to_blame(error, what) if inside else ""
    text = str(error) or "without a message"
    return f"{type(controller).__name__}.{what} raised {type(error).__name__}{at}{place}: {text}. Mend the controller."


def _line_to_blame(error, what):
    """' (file.py, line 12)' in the function of that name, or where the user's own code begins; '' without a traceback."""
    frames, trace = [], error.__traceback__
    while trace is not None:
        code = trace.tb_frame.f_code
        frames.append((Path(code.co_filename), trace.tb_lineno, code.co_name))
        trace = trace.tb_next
    theirs = [frame for frame in frames if not str(frame[0]).startswith(tuple(_OURS))] or frames
    named = [frame for frame in theirs if frame[2] == what][-1:] or theirs[:1]
    return f" ({named[0][0].name}, line {named[0][1]})" if named else ""


def status_sentence(scenario, controller, state):
    """(state with a status other than OK) => one sentence with tick, time, signal and value."""
    place = where(scenario, int(state["status_tick"]))
    value = float(state["status_value"])
    name = type(controller).__name__
    sentences = {
        r.CONTROLLER_CODE: f"{name} ended the run at {place} with its own code {value:g}.",
        r.DUTY_NOT_A_NUMBER: f"{name} gave a duty that is not a finite number at {place}. Check its arithmetic.",
        r.DUTY_OUT_OF_RANGE: (
            f"{name} gave a duty of {value:g} at {place}; duties lie in 0..1. Clip the request to the link voltage."
        ),
        r.GATE_SETTING: (
            f"{name} gave gate_setting = {value:g} at {place}; the inverter has no such gate setting. Give its number, counted "
            "from 0 in the scenario's order, or -1 (as the scenario says)."
        ),
        r.DIVERGED: (
            f"the solution diverged at {place}: flux linkage or link voltage reached {value:g} (Wb or V). Check the "
            "tuning, or raise run.substeps."
        ),
        r.MAP_LEFT: (
            f"the current left the flux map by {100.0 * value:.3g} % of its range at {place}; beyond "
            f"{100.0 * r.MAP_SLACK:g} % the map says nothing. Lower machine.max_current_A or extend the map."
        ),
    }
    return sentences[int(state["status"])]
