"""Faults of the power stage and of the lines to the machine.  Averaged legs are switched while one of them acts."""

from typing import ClassVar, Literal

from pydantic import model_validator

from simcore.scenario.fault import Lasting
from simcore.scenario.fields import quantity, refuse, word

Leg = Literal["a", "b", "c"]


class SwitchFault(Lasting):
    """A fault of one switch."""

    leg: Leg = word("which leg")
    side: Literal["upper", "lower"] = word("which of its two switches")


class SwitchStuckOpen(SwitchFault):
    """The switch never conducts."""

    kind: Literal["switch_stuck_open"] = word("a switch never conducts; its diode still does")
    caution: ClassVar[str] = "Currents gain a mean value, so that a controller with integrators pushes against it."


class SwitchStuckClosed(SwitchFault):
    """The switch always conducts."""

    kind: Literal["switch_stuck_closed"] = word("a switch always conducts")
    caution: ClassVar[str] = "Its partner's next turn-on shorts the link; desaturation has microseconds."


class GateDriverLost(Lasting):
    """Neither switch of a leg is driven."""

    kind: Literal["gate_driver_lost"] = word("neither switch of a leg is driven; its diodes still conduct")
    leg: Leg = word("which leg")
    caution: ClassVar[str] = "Above the speed at which the EMF passes the link, the leg's diodes go on rectifying."


class GateDriverSlow(Lasting):
    """Gates of a leg turn on or off late."""

    kind: Literal["gate_driver_slow"] = word("the gates of a leg turn on or off late")
    leg: Leg = word("which leg")
    turn_on_delay_s: float = quantity("s", "added to each turn-on", 0.0, ge=0, le=1e-3)
    turn_off_delay_s: float = quantity("s", "added to each turn-off", 0.0, ge=0, le=1e-3)
    caution: ClassVar[str] = "A turn-off that takes longer than the dead time is a shoot-through at every edge."

    @model_validator(mode="after")
    def _some(self):
        if self.turn_on_delay_s == 0.0 and self.turn_off_delay_s == 0.0:
            raise refuse("delays nothing", "Give turn_on_delay_s, turn_off_delay_s or both (s)")
        return self


class ShootThrough(Lasting):
    """Both switches of a leg conduct."""

    kind: Literal["shoot_through"] = word("both switches of a leg conduct")
    leg: Leg = word("which leg")
    resistance_ohm: float = quantity("ohm", "from rail to rail through the leg", 0.01, gt=0, le=1e3)
    caution: ClassVar[str] = "Real devices desaturate, trip or burst within microseconds; here the resistance holds."


class PhaseOpen(Lasting):
    """A line to the machine is open."""

    kind: Literal["phase_open"] = word("the line from a leg to the machine opens when its current passes zero")
    phase: Leg = word("which line")
    caution: ClassVar[str] = "Two phases are left: torque pulsates twice an electrical turn, and may be zero at standstill."


class PhasePhaseShort(Lasting):
    """Two terminals of the machine touch."""

    kind: Literal["phase_phase_short"] = word("two terminals of the machine are shorted")
    phases: Literal["ab", "bc", "ca"] = word("which two")
    resistance_ohm: float = quantity("ohm", "between the two terminals", 1e-3, gt=0, le=1e3)
    caution: ClassVar[str] = "With gates off the short brakes on, for the magnets drive it."


class ThreePhaseShort(Lasting):
    """All three terminals of the machine touch."""

    kind: Literal["three_phase_short"] = word("all three terminals of the machine are shorted")
    resistance_ohm: float = quantity("ohm", "between each two terminals", 1e-3, gt=0, le=1e3)
    caution: ClassVar[str] = "The transient current may pass the magnets' limit; braking torque peaks at low speed."


INVERTER_FAULTS = (
    SwitchStuckOpen, SwitchStuckClosed, GateDriverLost, GateDriverSlow, ShootThrough, PhaseOpen, PhasePhaseShort,
    ThreePhaseShort,
)  # fmt: skip
