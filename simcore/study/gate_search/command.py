"""What `drybench gateplan` does."""

import re

from simcore.report.files import replaced_folder
from simcore.scenario import ScenarioError
from simcore.study.gate_search.proof import prove, with_plan
from simcore.study.gate_search.search import search_plan
from simcore.study.gate_search.tables import as_document, plan_text, print_plan
from simcore.study.gate_search.verdict import keeps_all
from simcore.study.points.command import MET, NOT_MET, Command

_OURS = re.compile(r"gate_plan\.(toml|json|png)")
WHOLE, NONE = "all", "none"


def search_file(path, limits, driven, options):
    """(scenario file, arguments of search_plan, {"cycle": name, file or None, "loop": "all", "none" or "from:to"},
    points.command.Options) => exit status: 0 the plan keeps every limit, 1 none does."""

    def run(scenario, **how):
        found = search_plan(scenario, **limits)
        if scenario.load.kind != "vehicle" or not (driven["cycle"] or scenario.cycle.name):
            return found, None
        from simcore.study.cycle.trips import check_vehicle, chosen_cycle

        check_vehicle(scenario)
        cycle = chosen_cycle(scenario, driven["cycle"])
        stretch = _stretch(cycle, driven["loop"])
        return _proved(found, limits, cycle, stretch, how["progress"])

    def write(result, folder):
        import json

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
        import json

        print(json.dumps(as_document(*result), indent=2))
    elif options.tables:
        print_plan(*result, options.out / result[0].scenario.name)
    return MET if keeps_all(*result) else NOT_MET


def _proved(found, limits, cycle, stretch, progress):
    """=> PlanFound, Proof.  A plan that gets too hot though another setting were cooler takes the coolest everywhere."""
    if stretch is not None and not _compiled(found):
        stretch = None
    proof = prove(found, cycle, stretch=stretch, progress=progress)
    if keeps_all(found, proof) or all(region.above_degC is None for region in found.regions):
        return found, proof
    coolest = search_plan(found.scenario, **limits, hot_K=found.most_degC - found.scenario.inverter.heat.coolant_degC)
    return coolest, prove(coolest, cycle, stretch=stretch, progress=progress)


def _compiled(found):
    """Whether the scenario's controller can drive a cycle in the loop."""
    from simcore.loop import Bench

    return hasattr(Bench(with_plan(found)).controller, "compiled_step")


def _stretch(cycle, text):
    """(Cycle, "all", "none" or "from:to" in seconds) => the part that is driven in the loop, or None.  Raises ScenarioError."""
    if text in (WHOLE, NONE):
        return cycle if text == WHOLE else None
    try:
        from_s, to_s = (float(part) for part in text.split(":"))
    except ValueError:
        from_s = to_s = 0.0
    if not 0.0 <= from_s < to_s <= cycle.duration_s:
        rule = f"must be {WHOLE}, {NONE} or from:to within 0 and {cycle.duration_s:g} (s)"
        raise ScenarioError([f"--loop {text}: {rule}. Write --loop 0:{min(300.0, cycle.duration_s):g}, for one."])
    return cycle.between(from_s, to_s)
