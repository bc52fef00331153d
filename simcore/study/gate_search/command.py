"""What `drybench gateplan` does."""

import json
import re

from simcore.report.files import replaced_folder
from simcore.report.results import drybench_version, plain
from simcore.study.gate_search.search import search_plan
from simcore.study.points.command import Command

_OURS = re.compile(r"gate_plan\.(toml|json|png)")


def search_file(path, limits, cycle, options):
    """(scenario file, arguments of search_plan, cycle's name, file or None, points.command.Options) => exit status."""
    from simcore.study.gate_search.proof import drive_variants

    def run(scenario, **how):
        found = search_plan(scenario, **limits)
        if scenario.load.kind != "vehicle" or not (cycle or scenario.cycle.name):
            return found, []
        from simcore.study.cycle.trips import chosen_cycle

        return found, drive_variants(found, chosen_cycle(scenario, cycle), progress=how["progress"])

    def write(result, folder):
        with replaced_folder(folder, _OURS) as fresh:
            (fresh / "gate_plan.toml").write_text(plan_text(result[0]), encoding="utf-8", newline="\n")
            text = json.dumps(as_document(*result), indent=2, allow_nan=False)
            (fresh / "gate_plan.json").write_text(text + "\n", encoding="utf-8", newline="\n")
            if options.plot:
                from simcore.report import pages
                from simcore.study.gate_search.figure import compose

                pages.save_page(compose(result[0]), fresh / "gate_plan.png")

    status, result = Command("gateplan", options).call(path, run, write)
    if result is None:
        return status
    if options.as_json:
        print(json.dumps(as_document(*result), indent=2))
    elif options.tables:
        _print(*result, options)
    return 0


def plan_text(found):
    """(PlanFound) => a TOML file to write `base = ` into, or to copy the table from."""
    written = '    {{ use = "{use}", above_current_A = {above_current_A:g}, hysteresis_A = {hysteresis_A:g} }},'
    rules = [written.format(**rule) for rule in found.rules]
    lines = [
        f"# Least switching loss of {found.scenario.name} below {found.most_V:g} V over a device, link {found.link_V:g} V.",
        "[inverter.gate_plan]", f'default = "{found.default}"', "rules = [", *rules, "]", "",
    ]  # fmt: skip
    return "\n".join(lines)


def as_document(found, driven):
    """(PlanFound, Driven of the variants) => the contents of gate_plan.json."""
    return plain({
        "drybench": drybench_version(), "scenario": found.scenario.name, "default": found.default, "rules": list(found.rules),
        "limits": {"link_V": found.link_V, "most_V": found.most_V, "most_dv_dt_V_per_s": found.most_slope_V_per_s,
                   "ripple_A": found.ripple_A},
        "stretches": [
            {"use": one.use, "from_A": one.from_A, "to_A": one.to_A, "ends_by": one.ends_by} for one in found.stretches
        ],
        "cycle": [one._asdict() for one in driven],
    })  # fmt: skip


def _print(found, driven, options):
    from rich.console import Console

    from simcore.report.tables import columns, say
    from simcore.report.wording import CAUTION

    console = Console(highlight=False)
    slope = "" if found.most_slope_V_per_s == float("inf") else f" and {found.most_slope_V_per_s * 1e-9:g} V/ns"
    say(console, f"{found.scenario.name}: gate plan of least switching loss", style="bold")
    say(console, f"Limits: {found.most_V:g} V over a device{slope}, at {found.link_V:g} V of link; edges up to "
                 f"{found.ripple_A:.3g} A above the amplitude.")  # fmt: skip
    rows = [("amplitude", "setting", "ended by")]
    for one in found.stretches:
        rows.append((f"{one.from_A:.4g} to {one.to_A:.4g} A", one.use or "none keeps the limits", one.ends_by))
    for line in columns(rows):
        say(console, f"  {line}")
    if driven:
        rows = [("over the cycle", "net kWh", "kWh/100 km", "switching kWh", "junction degC")]
        rows += [(one.name, f"{one.net_kWh:.4f}", f"{one.kWh_per_100km:.4f}", f"{one.switching_kWh:.4f}",
                  "-" if one.junction_degC is None else f"{one.junction_degC:.1f}") for one in driven]  # fmt: skip
        for line in columns(rows, right=(1, 2, 3, 4)):
            say(console, f"  {line}")
    else:
        say(console, "Not driven over a cycle: give --cycle, and a scenario whose load is a vehicle.")
    say(console, f"Results: {options.out / found.scenario.name}")
    say(console, CAUTION)
