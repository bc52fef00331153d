"""The result files of a cycle, written beside and swapped in: cycle.json, cycle.npz, cycle_map.npz, the pictures."""

import json
import re
from pathlib import Path

from simcore.report.arrays import write_npz
from simcore.report.files import replaced_folder
from simcore.report.results import drybench_version, plain
from simcore.study.cycle.course import thinned
from simcore.study.cycle.road import KWH
from simcore.study.worth import assumptions_told, told

OURS = re.compile(r"cycle\.json|cycle(_map)?\.npz|cycle(_energy|_gates)?\.png")
ROW_S = 0.1  # of cycle.npz
_MEANS = ("power_", "loss_", "torque_asked", "brake_N")


def write_cycle(result, folder, *, plot=True, gates=None):
    """(CycleResult, folder) => Path of the folder. Other files of the folder stay.

    gates: {name: (Course, figures)} of other gate settings, the scenario's own first.

    A picture that fails costs nothing else: its error is raised when all other files are in place.
    """
    failure = None
    with replaced_folder(folder, OURS) as fresh:
        for mode, course in result.courses.items():
            name = "cycle.npz" if course is result.course else f"cycle_{mode}.npz"
            write_npz(fresh / name, thin_arrays(course))
        if plot and len(result.course.time_s) > 1:
            failure = _pictures(result, fresh, gates)
        content = json.dumps(document(result, gates), indent=2, allow_nan=False)
        (fresh / "cycle.json").write_text(content + "\n", encoding="utf-8", newline="\n")
    if failure is not None:
        raise failure
    return Path(folder)


def thin_arrays(course):
    """Course => name and array, a row about every tenth of a second.

    Powers and losses are means over the row, energies those up to its end, the rest as it was at its beginning.
    """
    every = max(1, round(ROW_S / float(course.length_s[0]))) if len(course.length_s) else 1
    for name, values in course.arrays():
        take = "mean" if name.startswith(_MEANS) else "last" if name.startswith("energy_") else "first"
        yield name, thinned(values, every, take)


def _pictures(result, folder, gates):
    """Draw the pictures; the error of the first that failed, else None."""
    from simcore.study.cycle.figure import draw_course, draw_energy
    from simcore.study.cycle.gates_figure import draw_gates

    failure = None
    drawn = [
        ("cycle.png", lambda path: draw_course(result, path)),
        ("cycle_energy.png", lambda path: draw_energy(result, path)),
    ]
    if gates:
        drawn.append(("cycle_gates.png", lambda path: draw_gates(result, gates, path)))
    for name, draw in drawn:
        try:
            draw(folder / name)
        except OSError:
            raise
        except Exception as error:
            failure = failure or error
    return failure


def document(result, gates=None):
    """CycleResult => the contents of cycle.json: the figures of the main mode on top, those of each mode below, and those of
    other gate settings."""
    scenario, cycle, asked = result.scenario, result.cycle, result.asked
    worth = result.worth
    return plain({
        "drybench": drybench_version(),
        "scenario": scenario.name,
        "title": scenario.title,
        "cycle": {"name": cycle.name, "source": cycle.source, "duration_s": cycle.duration_s, "distance_km": cycle.distance_km},
        **result.main,
        "asked_kWh": {"driving": asked.driving_J / KWH, "braking": -asked.braking_J / KWH, "net": asked.net_J / KWH},
        "audit": result.course.audit,
        "told": list(result.course.told),
        "modes": {name: one for name, one in result.figures.items() if one is not result.main},
        "map_less_loop": result.compared,
        "gate_settings": {name: one for name, (_, one) in gates.items()} if gates else None,
        "worth": None if worth is None else told(worth),
        "assumptions": assumptions_told(scenario.cycle.assumptions, result.battery_kWh),
    })  # fmt: skip
