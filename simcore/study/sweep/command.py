"""What `drybench sweep` does."""

import json
import re

from simcore.report.files import replaced_folder
from simcore.report.results import drybench_version, plain
from simcore.scenario import ScenarioError
from simcore.scenario.axis import read_axes
from simcore.study.points.columns import write_points
from simcore.study.points.command import WRONG_INPUT, Command, say, status_of
from simcore.study.sweep.grid import run_sweep

_OURS = re.compile(r"sweep\.(csv|png)")


def sweep_file(path, vary, options):
    """(scenario file, --vary texts, Options) => exit status; writes sweep.csv and sweep.png, prints the points."""
    try:
        axes = read_axes(vary)
    except ScenarioError as error:
        say(str(error))
        return WRONG_INPUT

    def write(sweep, folder):
        with replaced_folder(folder, _OURS) as fresh:
            first = {axis.key: [point.values[k] for point in sweep.points] for k, axis in enumerate(sweep.axes)}
            write_points(fresh / "sweep.csv", first, sweep.points, sweep.scenario.expect)
            if options.plot and len(axes) <= 2:
                from simcore.study.sweep.figure import draw_sweep

                draw_sweep(sweep, fresh / "sweep.png")

    status, sweep = Command("sweep", options).call(path, lambda scenario, **how: run_sweep(scenario, axes, **how), write)
    if sweep is None:
        return status
    if options.as_json:
        print(json.dumps(as_document(sweep), indent=2))
    elif options.tables:
        _print(sweep, options)
    return status_of(sweep.points)


def _print(sweep, options):
    from rich.console import Console

    from simcore.study.sweep.tables import print_sweep

    console = Console(highlight=False)
    print_sweep(sweep, console)
    if options.plot and len(sweep.axes) > 2:
        console.print("No picture: one is drawn over one or two varied keys.", soft_wrap=True)
    console.print(f"Results: {options.out / sweep.scenario.name}", soft_wrap=True, markup=False)


def as_document(sweep):
    """Sweep => dict of JSON's types."""
    from simcore.measure import question

    points = [
        {"values": point.values, "measured": point.measured, "passed": point.passed, "error": point.error}
        for point in sweep.points
    ]
    told = {
        "drybench": drybench_version(), "scenario": sweep.scenario.name,
        "axes": [{"key": axis.key, "values": axis.values} for axis in sweep.axes],
        "expectations": [question(one) for one in sweep.scenario.expect], "points": points,
        "best": None if sweep.best is None else sweep.best.index,
        "worst": None if sweep.worst is None else sweep.worst.index,
    }  # fmt: skip
    return plain(told)
