"""What `drybench faults` does."""

import json
import re

from simcore.report.files import replaced_folder
from simcore.study.points.command import Command, say

_OURS = re.compile(r"(faults|coverage|safe_states)\.(csv|json|html|png)")


def faults_file(path, asked, options):
    """(scenario file, {"list", "speed_rpm", "torque_Nm", "link_V"}, points.command.Options) => exit status: 0 every fault in
    time and no false alarm, 1 not so, 2 wrong input, 3 could not finish."""
    from simcore.study.fault_study.case import read_fault_list
    from simcore.study.fault_study.files import as_document, write_study
    from simcore.study.fault_study.study import run_faults

    def run(scenario, **how):
        def anew(count):
            if not options.quiet:
                say(f"{scenario.name}: {how['kept']} held {count} runs of another study; beginning anew.")

        grid = {key: asked[key] for key in ("speed_rpm", "torque_Nm", "link_V")}
        return run_faults(scenario, read_fault_list(asked["list"]), **grid, anew=anew, **how)

    def write(found, folder):
        with replaced_folder(folder, _OURS) as fresh:
            pictures = ("coverage.png", "safe_states.png") if options.plot else ()
            write_study(found, fresh, pictures)
            if pictures:
                from simcore.report import pages
                from simcore.study.fault_study import figure

                pages.save_page(figure.coverage(found), fresh / pictures[0])
                pages.save_page(figure.safe_states(found), fresh / pictures[1])

    status, found = Command("faults", options).call(path, run, write)
    if found is None:
        return status
    if options.as_json:
        print(json.dumps(as_document(found), indent=2))
    elif options.tables:
        _print(found, options)
    covered, total = found.covered
    return 0 if covered == total and not found.false_alarms else 1


def _print(found, options):
    from rich.console import Console

    from simcore.report.tables import columns
    from simcore.report.tables import say as tell
    from simcore.report.wording import CAUTION
    from simcore.study.fault_study.rows import SAFETY_CAUTION, points_line, vehicle_rows, worst_rows
    from simcore.study.fault_study.safe_states import sentences

    console = Console(highlight=False)
    covered, total = found.covered
    tell(console, f"{found.scenario.name}: {covered} of {total} faults noticed in time at every operating point", style="bold")
    tell(console, points_line(found))
    rows = [("fault", "noticed by", "notice ms", "safe ms", "peak A", "torque Nm", "link V")]
    for name, checks, notice, safe, _, peak, torque, _, link, _ in worst_rows(found):
        rows.append((name, checks, f"{notice:.3g}", f"{safe:.3g}", f"{peak:.4g}", torque, f"{link:.4g}"))
    for line in columns(rows, right=(2, 3, 4, 6)):
        tell(console, f"  {line}", hanging=4)
    if vehicle := vehicle_rows(found):
        rows = [("on the vehicle, hardest", "N s", "km/h", "without monitor N s", "km/h")]
        rows += [(name, *(f"{value:.3g}" for value in values)) for name, *values in vehicle]
        for line in columns(rows, right=(1, 2, 3, 4)):
            tell(console, f"  {line}", hanging=4)
    for name, speed, torque, link, why in found.missed[:20]:
        tell(console, f"Not in time: {name} at {speed:.5g} rpm, {torque:.4g} Nm, {link:.4g} V: {why}.")
    if len(found.missed) > 20:
        tell(console, f"... and {len(found.missed) - 20} more runs, see faults.csv.")
    tell(console, f"False alarms: {len(found.false_alarms)} in {len(found.healthy)} healthy runs with sensors in tolerance.")
    for sentence in sentences(found):
        tell(console, sentence)
    for sentence in found.told:
        tell(console, f"Told: {sentence}")
    tell(console, f"Results: {options.out / found.scenario.name}")
    console.print()
    tell(console, SAFETY_CAUTION)
    tell(console, CAUTION)
