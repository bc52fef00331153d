"""A scenario's drive on a rig that imposes the speed, asked for a torque: the run of one point of a map."""

from pathlib import Path

from simcore.scenario.reader import scenario_from

_KEPT = ("machine", "inverter", "supply", "sensors", "controller", "title")
_LEFT_OUT = {"fault": "its faults", "safety": "its trips"}
_ROWS = 20_000  # of a recording


def rig_document(scenario, switched):
    """(Scenario, switching edges?) => (document of its drive on a rig, sentences about what was changed).

    Kept are machine, inverter, supply, sensors and controller; load, commands, expectations and the like are the map's.
    """
    document = {name: dict_of(scenario.resolved[name]) for name in _KEPT if name in scenario.resolved}
    told = [*_turned_load(scenario, document), *_turned_mode(scenario, document), *_turned_model(document, switched)]
    left_out = [words for name, words in _LEFT_OUT.items() if scenario.resolved.get(name)]
    if left_out:
        told.append(f"The map leaves out {' and '.join(left_out)}.")
    document = with_heat(document, "steady")
    given = scenario.resolved.get("run", {})
    document["run"] = {key: given[key] for key in ("substeps", "seed") if key in given}
    angle = scenario.initial.angle_electrical_deg
    document["initial"] = {"angle_electrical_deg": angle} if angle else {}
    return document, told


def dict_of(table):
    """A copy of a table, so that the scenario's own stays."""
    return dict(table) if isinstance(table, dict) else table


def with_heat(document, initial):
    """(document, "steady" or "coolant") => the same with that start where heat is modelled.

    A point is at the thermal steady state of its own losses: computed before the run, or found while a run from the coolant's
    temperature goes on (heat.py).
    """
    changed = {name: document[name] | {"heat": document[name]["heat"] | {"initial": initial}} for name in heated(document)}
    return document | changed


def heated(document):
    """(document) => names of its tables that model heat."""
    return [name for name in ("inverter", "machine") if isinstance((document.get(name) or {}).get("heat"), dict)]


def point_scenario(document, path, speed_rpm, torque_Nm, duration_s, start_A=(0.0, 0.0), tick_s=1.0):
    """(document of the rig, path, speed, torque, length, currents at the start, tick) => Scenario.  Raises ScenarioError."""
    every = max(1, round(duration_s / tick_s) // _ROWS)
    whole = document | {
        "load": {"kind": "rig", "speed_rpm": float(speed_rpm)},
        "commands": {"torque_Nm": float(torque_Nm)},
        "initial": document["initial"] | {"id_A": float(start_A[0]), "iq_A": float(start_A[1])},
        "run": document["run"] | {"duration_s": float(duration_s), "record_every": every},
    }
    return scenario_from(whole, Path(path))


def _turned_load(scenario, document):
    controller = document.get("controller", {})
    belief = controller.pop("load", None)
    kind = scenario.load.kind
    if kind == "rig":
        return
    words = {"free": "free shaft", "two_mass": "elastic shaft", "vehicle": "vehicle", "locked": "locked shaft"}
    yield f"The map puts the drive on a rig that imposes the speed, instead of the scenario's {words.get(kind, kind)}."
    if belief:
        yield "What [controller.load] says of the load is left out."


def _turned_mode(scenario, document):
    mode = scenario.controller.mode or "torque"
    if mode == "torque" or not (scenario.controller.built_in or mode == "speed"):
        return
    document["controller"]["mode"] = "torque"
    yield f'The map asks for torque: controller.mode is "torque" instead of the scenario\'s "{mode}".'


def _turned_model(document, switched):
    wanted = "switched" if switched else "averaged"
    given = document["inverter"].get("model", "averaged")
    document["inverter"]["model"] = wanted
    if given == "switched" and not switched:
        yield 'The map uses mean voltages: inverter.model is "averaged"; --switched keeps the scenario\'s edges.'
