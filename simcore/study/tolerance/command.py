"""What `drybench tolerance` does."""

import json
import re

from simcore.report.files import replaced_folder
from simcore.study.points.command import MET, NOT_MET, Command, status_of
from simcore.study.tolerance.results import document_of, write_study
from simcore.study.tolerance.study import run_tolerance

_OURS = re.compile(r"tolerance\.(json|csv|png)|worst\.toml")


def tolerance_file(path, draws, method, seed, least_yield, options):
    """(scenario file, draws, method, seed, yield wanted in percent or None, Options) => exit status; writes and prints."""

    def write(study, folder):
        with replaced_folder(folder, _OURS) as fresh:
            write_study(study, fresh)
            if options.plot and study.counted:
                from simcore.study.tolerance.figure import draw_study

                draw_study(study, fresh / "tolerance.png")

    def run(scenario, **how):
        return run_tolerance(scenario, draws, method=method, seed=seed, **how)

    status, study = Command("tolerance", options).call(path, run, write)
    if study is None:
        return status
    if options.as_json:
        print(json.dumps(document_of(study), indent=2))
    elif options.tables:
        from rich.console import Console

        from simcore.study.tolerance.tables import print_study

        console = Console(highlight=False)
        print_study(study, console)
        console.print(f"Results: {options.out / study.scenario.name}", soft_wrap=True, markup=False)
    status = status_of(study.points)
    if least_yield is None or status not in (MET, NOT_MET):
        return status
    return MET if 100.0 * study.yield_of()[0] >= least_yield else NOT_MET
