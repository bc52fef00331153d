"""What `drybench tune` does: read, predict, measure, print, write."""

import gc
import json
import math
import sys
from contextlib import nullcontext, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

from simcore.report.interruption import ended_at_once, interruptible
from simcore.report.progress import Bar, compile_note, say
from simcore.scenario import ScenarioError, load_scenario

DONE, WRONG_INPUT, NOT_FINISHED = 0, 2, 3


@dataclass(frozen=True)
class Wishes:
    """What the command line asks for besides the scenario."""

    measure: bool = False
    inject: str = "auto"
    at_s: float | None = None
    rules: tuple = ()
    links_V: tuple = ()
    over_range: bool = True
    plot: bool = True
    quiet: bool = False
    as_json: bool = False


def run_tune(path, out, overrides, wishes):
    """(scenario file, results folder, overrides, Wishes) => exit status: 0 done, 2 wrong input, 3 could not finish."""
    from simcore.loop import RunError
    from simcore.report.files import unwritable
    from simcore.study.response.wanted import WantedError

    document = sys.stdout
    # A controller that prints must not spoil the JSON document.
    with interruptible() as check, redirect_stdout(sys.stderr) if wishes.as_json else nullcontext():
        try:
            scenario, rules = _read(path, overrides, wishes)
            folder = Path(out) / scenario.name
            if why := unwritable(folder):
                raise ScenarioError([f"{folder}: the results cannot be written: {why}. Choose another --out."])
            response = _stages(scenario, rules, wishes, check)
            _finish(response, folder, wishes, document)
        except (ScenarioError, WantedError) as error:
            say(str(error))
            return WRONG_INPUT
        except RunError as error:
            say(f"{scenario.path.name}: {error}")
            return NOT_FINISHED
        except OSError as error:
            if isinstance(error, BrokenPipeError):
                raise
            say(f"{out}: the results cannot be written: {error.strerror or error}. Choose another --out.")
            return WRONG_INPUT
    return DONE


def _read(path, overrides, wishes):
    """=> Scenario, rules of --for; all sentences about both at once."""
    from simcore.study.response.wanted import WantedError, read_wish

    problems, rules, scenario = [], [], None
    for text in wishes.rules:
        try:
            rules.append(read_wish(text))
        except WantedError as error:
            problems.append(str(error))
    try:
        scenario = load_scenario(path, overrides)
    except ScenarioError as error:
        problems += error.problems
    if scenario is not None and wishes.at_s is not None:
        end = scenario.run.duration_s
        if not (math.isfinite(wishes.at_s) and 0.0 <= wishes.at_s <= end):
            problems.append(f"--at-s {wishes.at_s:g}: must lie inside the run, from 0 to {end:g} (s). Choose an instant of it.")
    for link_V in wishes.links_V:
        if not (math.isfinite(link_V) and link_V > 0.0):
            problems.append(f"--link-V {link_V:g}: must be a voltage above 0 (V). Change it.")
    if scenario is not None and rules and not scenario.controller.built_in:
        problems.append("--for: gains can be made for the built-in controller only. Leave it out.")
    if problems:
        raise ScenarioError(problems)
    return scenario, rules


def _stages(scenario, rules, wishes, check):
    """The stages of `tune`; between them a look whether Ctrl-C was pressed."""
    from simcore.loop import Bench
    from simcore.study.response.tuned import Study

    bench = Bench(scenario)
    with compile_note(wishes.quiet), ended_at_once():
        bench.load_kernels()
    gc.freeze()
    gc.enable()
    check()
    study = Study(scenario, wishes.at_s)
    study.predict("output" if wishes.inject == "voltage" else "error")
    check()
    study.suggest(rules)
    if wishes.over_range:
        with _StageBar(f"{scenario.name}: operating range", wishes, check) as tell:
            study.look_over_range(links_V=wishes.links_V or None, tell=tell)
    if wishes.measure:
        with _StageBar(f"{scenario.name}: measuring", wishes, check) as tell:
            study.measure(wishes.inject, lambda share: tell(share, 1.0))
    check()
    return study.response


class _StageBar:
    """A bar for one stage; each call also asks for Ctrl-C."""

    def __init__(self, label, wishes, check):
        self._bar, self._check = Bar(label, wishes.quiet or wishes.as_json), check

    def __enter__(self):
        return self._tell

    def _tell(self, done, of):
        self._check()
        self._bar(done, of)

    def __exit__(self, *_):
        self._bar.close()


def _finish(response, folder, wishes, stream):
    from simcore.report.progress import writing_note
    from simcore.study.response.files import write_response
    from simcore.study.response.told import document

    with writing_note(response.scenario.name, wishes.quiet):
        write_response(response, folder, plot=wishes.plot)
    if wishes.as_json:
        print(json.dumps(document(response), indent=2, allow_nan=False), file=stream)
    elif not wishes.quiet:
        _print(response, folder)


def _print(response, folder):
    from rich.console import Console

    from simcore.report.tables import say as tell
    from simcore.report.wording import CAUTION
    from simcore.study.response.tables import print_response

    console = Console(highlight=False)
    print_response(response, console)
    console.print()
    console.print(f"Results: {folder}", soft_wrap=True, markup=False)
    console.print()
    tell(console, CAUTION, hanging=0)
