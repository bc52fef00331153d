"""What `drybench compare` does."""

import json
import re

from simcore.report.files import replaced_folder
from simcore.scenario import ScenarioError, load_scenario
from simcore.study.compare.files import as_document, write_comparison
from simcore.study.points.command import NOT_FINISHED, Command, say

_OURS = re.compile(r"compare\.(csv|json|png)")


def compare_file(path, changes, by, asked, options):
    """(scenario file, overrides of the second variant, "map", "cycle" or "run", arguments of that, points.command.Options) =>
    exit status: 0 done, 2 wrong input, 3 one of both could not finish."""
    from simcore.loop import RunError

    if not changes:
        say("--with: names what the second variant changes. Give --with inverter.gate_setting=calm.")
        return 2
    changed = {_key(change) for change in changes}
    names = (_told([one for one in options.overrides if _key(one) in changed]) or "as given", _told(changes))

    def run(scenario, **how):
        second = load_scenario(path, (*options.overrides, *changes))
        return _studies(by, asked, scenario, second, names, how)

    def write(found, folder):
        with replaced_folder(folder, _OURS) as fresh:
            write_comparison(found, fresh)
            if options.plot:
                from simcore.report import pages
                from simcore.study.compare.figure import compose

                if (figure := compose(found)) is not None:
                    pages.save_page(figure, fresh / "compare.png")

    try:
        status, found = Command("compare", options).call(path, run, write)
    except RunError as error:
        say(f"{path}: {error}")
        return NOT_FINISHED
    if found is None:
        return status
    if options.as_json:
        print(json.dumps(as_document(found), indent=2))
    elif options.tables:
        _print(found, options)
    return NOT_FINISHED if found.by == "cycle" and not all(part.finished for part in found.parts) else 0


def _studies(by, asked, first, second, names, how):
    if by == "run":
        from simcore.study.compare.by_run import compare_by_run

        return compare_by_run(first, second, names, progress=how["progress"])
    if by == "map":
        from simcore.study.compare.by_map import compare_by_map

        grid = {key: asked[key] for key in ("speed_rpm", "torque_Nm", "quadrants", "switched")}
        return compare_by_map(first, second, names, **grid, **how)
    from simcore.study.compare.by_cycle import compare_by_cycle
    from simcore.study.cycle.trips import check_vehicle, chosen_cycle

    if how["executor"] is not None:
        raise ScenarioError(["--executor: a cycle is driven on this machine. Leave it out, or compare by map."])
    check_vehicle(first)
    check_vehicle(second)
    cycle = chosen_cycle(first, asked["cycle"])
    return compare_by_cycle(first, second, names, cycle=cycle, mode=asked["mode"], progress=how["progress"])


def _key(override):
    return override.partition("=")[0].strip()


def _told(overrides):
    """("inverter.gate_setting=calm", ...) => words: the values alone where one key is changed."""
    return ", ".join(one.split("=", 1)[-1].strip().strip('"') if len(overrides) == 1 else one for one in overrides)


def _print(found, options):
    from rich.console import Console

    from simcore.report.tables import columns
    from simcore.report.tables import say as tell

    console = Console(highlight=False)
    tell(console, f"{found.scenario.name}: {found.names[1]} against {found.names[0]}, by {found.by}", style="bold")
    rows = [("", found.names[0], found.names[1], "difference")]
    rows += [(f"{row.what}, {row.unit}" if row.unit else row.what, f"{row.first:.6g}", f"{row.second:.6g}", f"{row.less:+.4g}")
             for row in found.rows]  # fmt: skip
    for line in columns(rows, right=(1, 2, 3)):
        tell(console, f"  {line}", hanging=4)
    for sentence in found.told:
        tell(console, f"Told: {sentence}")
    if found.worth is not None:
        _print_worth(found, console)
    tell(console, f"Results: {options.out / found.scenario.name}")


def _print_worth(found, console):
    from simcore.report.tables import say as tell
    from simcore.study.worth import Worth, worth_lines

    named = {name: Worth(**found.worth[which]) for name, which in zip(found.names, ("first", "second"), strict=True)}
    console.print()
    tell(console, "What the difference is worth", style="bold")
    for line in worth_lines(named, found.scenario.cycle.assumptions, found.parts[0].battery_kWh):
        tell(console, f"  {line}", hanging=4)
