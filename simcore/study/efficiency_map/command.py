"""What `drybench map` does."""

import json
import re

from simcore.report.files import replaced_folder
from simcore.study.efficiency_map.columns import FAILED
from simcore.study.efficiency_map.files import as_document, write_map
from simcore.study.efficiency_map.study import run_map
from simcore.study.points.command import NOT_FINISHED, Command, say

_OURS = re.compile(r"map(_\w+)?\.(csv|npz|json|png)|(unreachable|envelope|load_points)\.csv")


def map_file(path, asked, options):
    """(scenario file, arguments of run_map, points.command.Options) => exit status; writes the files and prints the result."""

    def run(scenario, **how):
        def anew(count):
            if not options.quiet:
                say(f"{scenario.name}: {how['kept']} held {count} points of another map, scenario or version; beginning anew.")

        return run_map(scenario, **asked, anew=anew, **how)

    def write(found, folder):
        with replaced_folder(folder, _OURS) as fresh:
            write_map(found, fresh)
            if options.plot:
                from simcore.study.efficiency_map.figures import draw_map

                draw_map(found, fresh)

    status, found = Command("map", options).call(path, run, write)
    if found is None:
        return status
    if options.as_json:
        print(json.dumps(as_document(found), indent=2))
    elif options.tables:
        _print(found, options)
    return NOT_FINISHED if found.of_status(FAILED) else 0


def _print(found, options):
    from rich.console import Console

    from simcore.study.efficiency_map.tables import print_map

    console = Console(highlight=False)
    print_map(found, console)
    console.print(f"Results: {options.out / found.scenario.name}", soft_wrap=True, markup=False)
