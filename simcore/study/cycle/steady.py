"""A trip that begins warm: at the temperatures that the mean losses of the whole trip would hold, as after many rounds."""

import numpy as np

from simcore.loop.thermal_steady import jump_to_steady

STEADY = "steady"


def begun_cold(scenario):
    """Scenario => the same whose [heat] tables begin at the coolant's temperature where they ask for the steady state."""
    update = {}
    for name in ("inverter", "machine"):
        room = getattr(scenario, name)
        if room.heat is not None and room.heat.initial == STEADY:
            update[name] = room.model_copy(update={"heat": room.heat.model_copy(update={"initial": "coolant"})})
    return scenario.model_copy(update=update) if update else scenario


def warm_up(member, course):
    """(Member at tick 0, Course of the trip by the map) => the member's temperatures where the course's mean losses hold them.

    All six switches carry alike, with the diodes' losses, as in warming.py.
    """
    power = member.states["power"][0]
    mean = {name: float(np.average(course.losses_W[name], weights=course.length_s)) for name in
            ("conduction", "switching", "copper", "iron")}  # fmt: skip
    power["window_switch_J"], power["window_diode_J"] = (mean["conduction"] + mean["switching"]) / 6.0, 0.0
    power["window_copper_J"], power["window_iron_J"] = mean["copper"], mean["iron"]
    jump_to_steady(member.params, member.states, 1.0)
