"""What `drybench align` does: load, rehearse, advise, write, print."""

from dataclasses import dataclass, replace
from pathlib import Path

from simcore.report.files import unwritable
from simcore.report.interruption import ended_at_once, interruptible
from simcore.report.progress import Bar, compile_note, say
from simcore.scenario import ScenarioError, load_scenario

DONE, WRONG_INPUT, NOT_FINISHED = 0, 2, 3
USUAL_CURRENT = 0.3  # of max_current_A: it stands in one phase, so that all of it would heat that one
FEWEST_STARTS, MOST_STARTS, LONGEST_S = 4, 3600, 1000.0


@dataclass(frozen=True)
class Wishes:
    """What the command line asks for: length of the vector [A], start angles, error allowed [deg], times [s]."""

    current_A: float | None = None
    starts: int = 24
    error_deg: float = 2.0
    move_s: float | None = None
    hold_s: float | None = None
    plot: bool = True
    quiet: bool = False


def run_alignment(path, out, overrides=(), wishes=Wishes()):
    """(scenario file, results folder, overrides, Wishes) => exit status: 0 done, 2 wrong input, 3 could not finish."""
    from simcore.study.alignment.rehearsal import RunFailed

    with interruptible() as check:
        try:
            scenario = load_scenario(path, overrides)
            current_A = _checked(scenario, wishes)
            folder = Path(out) / scenario.name
            if why := unwritable(folder):
                raise ScenarioError([_cannot_write(folder, why)])
            _stages(scenario, current_A, wishes, folder, check)
        except ScenarioError as error:
            say(str(error))
            return WRONG_INPUT
        except RunFailed as error:
            say(f"{scenario.path.name}: {error}")
            return NOT_FINISHED
        except BrokenPipeError:
            raise
        except OSError as error:
            say(_cannot_write(out, error.strerror or error))
            return WRONG_INPUT
    return DONE


def _cannot_write(folder, why):
    return f"{folder}: the results cannot be written: {why}. Choose another --out."


def _checked(scenario, wishes):
    """(Scenario, Wishes) => length of the vector [A]; raises ScenarioError with every wish that cannot be met."""
    from simcore.study.alignment.resting import longest_A

    limit, longest = scenario.machine.max_current_A, longest_A(scenario.machine)
    current_A = min(USUAL_CURRENT * limit, longest) if wishes.current_A is None else wishes.current_A
    shortest_s = 10.0 * scenario.tick_s
    problems = []
    if not 0.0 < current_A <= limit:
        rule = f"must lie above 0 and within machine.max_current_A = {limit:g} (A)"
        problems.append(f"--current-A {current_A:g}: {rule}. Change it.")
    elif current_A > longest:
        rule = f"would leave the flux map, which bears {longest:.4g} (A) on every side of the rotor"
        problems.append(f"--current-A {current_A:g}: {rule}. Lower it, or extend the map.")
    if not FEWEST_STARTS <= wishes.starts <= MOST_STARTS:
        problems.append(f"--starts {wishes.starts}: must be from {FEWEST_STARTS} to {MOST_STARTS}. Change it.")
    if not 0.0 < wishes.error_deg <= 45.0:
        problems.append(f"--error-deg {wishes.error_deg:g}: must lie above 0 and up to 45 (deg electrical). Change it.")
    for name, value in (("--move-s", wishes.move_s), ("--hold-s", wishes.hold_s)):
        if value is not None and not shortest_s <= value <= LONGEST_S:
            rule = f"must be from ten ticks, {shortest_s:g}, to {LONGEST_S:g} (s)"
            problems.append(f"{name} {value:g}: {rule}. Change it.")
    if problems:
        raise ScenarioError(problems)
    return current_A


def _stages(scenario, current_A, wishes, folder, check):
    from simcore.study.alignment.advice import advise, surest
    from simcore.study.alignment.files import write_alignment
    from simcore.study.alignment.rehearsal import Rehearsal

    rehearsal = Rehearsal(scenario)
    with compile_note(wishes.quiet), ended_at_once():
        rehearsal.load_kernels()
    usual = rehearsal.usual_timing(current_A)
    given = {"move_s": wishes.move_s, "hold_s": wishes.hold_s}
    rehearsal.timing = replace(usual, **{name: value for name, value in given.items() if value is not None})
    outcomes = _run(rehearsal, current_A, wishes, "align", check)
    advice = advise(rehearsal.resting, outcomes, wishes.error_deg)
    sure = surest(outcomes)
    if advice.needed_A is not None and sure is not None:
        checked = _run(rehearsal, advice.needed_A, wishes, "check", check, (sure.variant,))
        advice = replace(advice, checked=checked[0])
    write_alignment(rehearsal, outcomes, advice, folder, plot=wishes.plot)
    check()
    if not wishes.quiet:
        _print(rehearsal, outcomes, advice, folder)


def _run(rehearsal, current_A, wishes, word, check, variants=None):
    from simcore.study.alignment.routes import VARIANTS

    bar = Bar(f"{rehearsal.scenario.name}: {word}", wishes.quiet)

    def progress(done, total):
        check()
        bar(done, total)

    try:
        return rehearsal.run(current_A, wishes.starts, variants or VARIANTS, progress)
    finally:
        bar.close()


def _print(rehearsal, outcomes, advice, folder):
    from rich.console import Console

    from simcore.report.tables import say as tell
    from simcore.report.wording import CAUTION
    from simcore.study.alignment.tables import print_alignment

    console = Console(highlight=False)
    print_alignment(rehearsal, outcomes, advice, console)
    console.print(f"Results: {folder}", soft_wrap=True, markup=False)
    console.print()
    tell(console, CAUTION, hanging=0)
