"""What `drybench cycle` does: load, drive, write, print."""

from dataclasses import dataclass
from pathlib import Path

from simcore.report.files import unwritable
from simcore.report.interruption import ended_at_once, interruptible
from simcore.report.progress import Bar, compile_note, say, writing_note
from simcore.scenario import ScenarioError, load_scenario

DONE, WRONG_INPUT, NOT_FINISHED = 0, 2, 3


@dataclass(frozen=True)
class Wishes:
    """What the command line asks for: name or file of the cycle, "loop", "map" or "both", how often it is driven, with which
    other gate settings ("all" or names)."""

    cycle: str | None = None
    mode: str = "loop"
    repeat: int = 1
    gates: str | None = None
    plot: bool = True
    quiet: bool = False
    as_json: bool = False


def run_cycle(path, out, overrides=(), wishes=Wishes()):
    """(scenario file, results folder, overrides, Wishes) => exit status: 0 driven to its end, 2 wrong input, 3 ended early (the
    battery is empty, or a run broke off; what was driven is written)."""
    from simcore.loop import RunError

    with interruptible() as check:
        try:
            from simcore.study.cycle.gates import chosen_gates
            from simcore.study.cycle.trips import check_vehicle, chosen_cycle

            scenario = load_scenario(path, overrides)
            check_vehicle(scenario)
            cycle = chosen_cycle(scenario, wishes.cycle, wishes.repeat)
            others = chosen_gates(scenario, wishes.gates) if wishes.gates else None
            folder = Path(out) / scenario.name
            if why := unwritable(folder):
                raise ScenarioError([_cannot_write(folder, why)])
            return _stages(scenario, cycle, others, wishes, folder, check)
        except ScenarioError as error:
            say(str(error))
            return WRONG_INPUT
        except RunError as error:
            say(f"{Path(path).name}: {error}")
            return NOT_FINISHED
        except BrokenPipeError:
            raise
        except OSError as error:
            say(_cannot_write(out, error.strerror or error))
            return WRONG_INPUT


def _cannot_write(folder, why):
    return f"{folder}: the results cannot be written: {why}. Choose another --out."


def _stages(scenario, cycle, others, wishes, folder, check):
    from simcore.loop import Bench
    from simcore.study.cycle.files import document, write_cycle
    from simcore.study.cycle.gates import comparable, drive_gates
    from simcore.study.cycle.loop_trip import LoopTrip
    from simcore.study.cycle.trips import drive_cycle

    trip = Bench(scenario) if wishes.mode == "map" else LoopTrip(scenario, cycle)
    with compile_note(wishes.quiet), ended_at_once():
        trip.load_kernels()
    bars = {}

    def progress(what, done, total):
        check()
        for name, bar in bars.items():
            if name != what:
                bar.close()
        if what not in bars:
            bars[what] = Bar(f"{scenario.name}: {cycle.name}, {what}", wishes.quiet)
        bars[what](done, total)

    try:
        result = drive_cycle(scenario, cycle, wishes.mode, progress)
        gates = None
        if others is not None:
            gates = comparable(drive_gates(result, others, wishes.mode, progress), wishes.mode)
    finally:
        for bar in bars.values():
            bar.close()
    with writing_note(scenario.name, wishes.quiet):
        write_cycle(result, folder, plot=wishes.plot, gates=gates)
    check()
    if wishes.as_json:
        import json

        print(json.dumps(document(result, gates), indent=2, allow_nan=False))
    elif not wishes.quiet:
        _print(result, gates, folder)
    return DONE if result.finished else NOT_FINISHED


def _print(result, gates, folder):
    from rich.console import Console

    from simcore.report.tables import say as tell
    from simcore.report.wording import CAUTION
    from simcore.study.cycle.tables import print_cycle

    console = Console(highlight=False)
    print_cycle(result, console, gates)
    console.print(f"Results: {folder}", soft_wrap=True, markup=False)
    console.print()
    tell(console, CAUTION, hanging=0)
