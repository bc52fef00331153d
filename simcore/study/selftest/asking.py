"""How a controller is asked: by its mode, or by the commands of its scenario."""

import math
from dataclasses import dataclass

from simcore.scenario import ScenarioError
from simcore.scenario.controller import COMMANDS_OF_MODE, Commands
from simcore.scenario.errors import one_of

RISE_S = 0.1
ASKED = ("torque", "speed", "current", "voltage")
ON_D = ("id_A", "vd_V")


def asked_mode(scenario):
    """(scenario) => "torque", "speed", "current" or "voltage".  Raises ScenarioError where nothing tells."""
    mode = scenario.controller.mode
    if mode is None and scenario.controller.built_in:
        mode = "torque"
    if mode in ASKED:
        return mode
    if mode == "open_loop" and scenario.controller.built_in:
        rule = "an open-loop source follows no rotor, so that there is nothing to test"
        raise ScenarioError([f'{scenario.path.name}: controller.mode = "{mode}": {rule}. Choose {one_of(ASKED)}.'])
    for mode in ASKED:
        if any(getattr(scenario.commands, name) is not None for name in COMMANDS_OF_MODE[mode]):
            return mode
    wanted = ", ".join(name for mode in ASKED for name in COMMANDS_OF_MODE[mode])
    rule = "the self-test cannot tell what to ask of the controller"
    raise ScenarioError([f"{scenario.path.name}: commands: {rule}. Give one of {wanted}."])


@dataclass(frozen=True)
class Question:
    """A mode and what a full question is in it: A or V on an axis, Nm, rpm."""

    mode: str
    full: float

    @property
    def on_axes(self):
        """True where d and q can be asked for one by one."""
        return self.mode in ("current", "voltage")

    @property
    def unit(self):
        return {"current": "A", "voltage": "V", "torque": "Nm", "speed": "rpm"}[self.mode]

    def commands(self, share, at_s=0.0, base=0.0):
        """(share of the full question, complex d + jq; torque and speed take the q part) => Commands, `base` before at_s."""
        table = {}
        for name in COMMANDS_OF_MODE[self.mode]:
            parts = [part.real if name in ON_D else part.imag for part in (complex(base), complex(share))]
            first, then = (self.full * part for part in parts)
            table[name] = [[0.0, first], [at_s, then]] if at_s > 0.0 else then
        return Commands.model_validate(table)


def full_question(mode, machine, share, high_rpm, link_V):
    """(mode, Machine of benches.py, share of its greatest current, a high speed [rpm], link [V]) => Question."""
    current = share * machine.max_current_A
    if mode == "current":
        return Question(mode, current)
    if mode == "torque":
        return Question(mode, machine.greatest_torque(current))
    if mode == "speed":
        return Question(mode, high_rpm)
    # Without resistance the current rises as long as the run lasts.
    volts = current * (machine.resistance_ohm + machine.least_inductance_H() / RISE_S)
    return Question(mode, min(volts, 0.3 * link_V))


def angle_of(vector):
    """complex => direction [deg]."""
    return math.degrees(math.atan2(vector.imag, vector.real))
