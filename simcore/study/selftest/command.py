"""What `drybench selftest` does: load, test, print."""

import json
import sys
from contextlib import nullcontext, redirect_stdout

from simcore.report.interruption import ended_at_once, interruptible
from simcore.report.progress import Bar, compile_note, say
from simcore.report.results import plain
from simcore.scenario import ScenarioError, load_scenario
from simcore.study.selftest.findings import OPEN

RIGHT, NOT_RIGHT, WRONG_INPUT, NOT_FINISHED = 0, 1, 2, 3
_USUAL_RUNS = 24


def run_self_test(path, overrides=(), *, with_sensors=False, as_json=False):
    """(scenario file, overrides) => exit status: 0 nothing wrong, 1 a check is wrong, 2 wrong input, 3 could not finish."""
    document = sys.stdout
    with interruptible() as check, redirect_stdout(sys.stderr) if as_json else nullcontext():
        try:
            scenario = load_scenario(path, overrides)
            controller, findings = _tested(scenario, with_sensors, check)
        except ScenarioError as error:
            say(str(error))
            return WRONG_INPUT
        except _NotFinished as error:
            say(str(error))
            return NOT_FINISHED
    if as_json:
        print(json.dumps(_told(scenario, controller, findings), indent=2, allow_nan=False), file=document)
    else:
        _print(scenario, controller, findings, with_sensors)
    return RIGHT if all(one.passed for one in findings) else NOT_RIGHT


class _NotFinished(Exception):
    """The controller could not even begin; the text is the sentence to print."""


def _tested(scenario, with_sensors, check):
    from simcore.loop import Bench, RunError
    from simcore.study.selftest import self_test

    bench = Bench(scenario)
    with compile_note(False), ended_at_once():
        bench.load_kernels()
    bar, runs = Bar(f"{scenario.name}: self-test"), 0

    def before_run():
        nonlocal runs
        check()
        # The number of runs is known at the end only: a loop that does not settle is looked at more closely.
        bar(runs, max(_USUAL_RUNS, runs + 4))
        runs += 1

    try:
        return bench.controller, self_test(scenario, bench.controller, with_sensors=with_sensors, before_run=before_run)
    except RunError as error:
        raise _NotFinished(f"{scenario.path.name}: {error}") from error
    finally:
        bar.close()


def _told(scenario, controller, findings):
    """=> the JSON document."""
    wrong = [one for one in findings if not one.passed]
    status = "failed" if wrong else "ok"
    entries = [
        {
            "check": one.check, "expected": one.expected, "found": one.found, "verdict": one.verdict, "hint": one.hint,
            "value": one.value, "cause": one.cause,
        }
        for one in findings
    ]  # fmt: skip
    opened = sum(one.verdict == OPEN for one in findings)
    return plain({
        "scenario": scenario.name, "controller": type(controller).__name__, "status": status, "wrong": len(wrong),
        "not_judged": opened, "findings": entries,
    })  # fmt: skip


def _print(scenario, controller, findings, with_sensors):
    from rich.console import Console

    from simcore.report.tables import say as tell
    from simcore.report.wording import CAUTION
    from simcore.study.selftest.tables import print_self_test

    console = Console(highlight=False)
    print_self_test(scenario, controller, findings, with_sensors, console)
    console.print()
    tell(console, CAUTION, hanging=0)
