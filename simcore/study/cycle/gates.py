"""One cycle with every gate setting of the power stage, and with its gate plan: what a stronger drive is worth on the road."""

from pathlib import Path

from simcore.scenario import ScenarioError
from simcore.scenario.errors import did_you_mean
from simcore.scenario.reader import scenario_from

PLAN = "plan"


def gate_names(scenario):
    """Scenario => names of its gate settings, and "plan" where it has one; its own first."""
    inverter = scenario.inverter
    names = [*inverter.gate_settings, *([PLAN] if inverter.gate_plan is not None else [])]
    own = own_name(scenario)
    return sorted(names, key=lambda name: name != own)


def own_name(scenario):
    """What the scenario itself drives with, None where it has no gate settings."""
    return PLAN if scenario.inverter.gate_plan is not None else scenario.inverter.gate_setting


def chosen_gates(scenario, text):
    """("all" or "calm,plan", Scenario) => names besides the scenario's own.  Raises ScenarioError."""
    known = gate_names(scenario)
    if not known:
        raise ScenarioError([f"{scenario.path.name}: inverter.gate_settings: there are none. Leave --gates out, or give some."])
    asked = known if text == "all" else [name.strip() for name in text.split(",")]
    problems = []
    for name in asked:
        if name not in known:
            remedy = did_you_mean(name, known, f"Known are {', '.join(known)}, and all.")
            problems.append(f"--gates {name}: no such gate setting. {remedy}")
    if problems:
        raise ScenarioError(problems)
    return [name for name in dict.fromkeys(asked) if name != own_name(scenario)]


def with_gate(scenario, name):
    """(Scenario, gate setting or "plan") => the same drive with it.  Raises ScenarioError."""
    document = dict(scenario.resolved)
    inverter = {key: value for key, value in document["inverter"].items() if name == PLAN or key != "gate_plan"}
    document["inverter"] = inverter | ({} if name == PLAN else {"gate_setting": name})
    return scenario_from(document, Path(scenario.path))


def drive_gates(result, names, mode, progress=None):
    """(CycleResult of the scenario's own setting, names, mode) => {name: CycleResult}, the own one first.

    Driven by the map where the map was driven, else in the loop.
    """
    from simcore.study.cycle.trips import drive_cycle

    found = {own_name(result.scenario): result}
    for name in names:
        tell = None if progress is None else lambda what, done, total, name=name: progress(f"{name}, {what}", done, total)
        found[name] = drive_cycle(with_gate(result.scenario, name), result.cycle, "loop" if mode == "loop" else "map", tell)
    return found


def comparable(found, mode):
    """{name: CycleResult} => {name: (Course, figures)} of the one mode that all have driven."""
    one = "loop" if mode == "loop" else "map"
    return {name: (result.courses[one], result.figures[one]) for name, result in found.items()}
