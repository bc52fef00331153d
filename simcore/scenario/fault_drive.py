"""Faults of controller, supply, machine and shaft."""

from typing import ClassVar, Literal

from simcore.scenario.controller import Commands
from simcore.scenario.fault import Fault, Lasting
from simcore.scenario.fields import quantity, word

CommandName = Literal[tuple(Commands.model_fields)]  # type: ignore[valid-type]


class ControllerLate(Lasting):
    """Commands act later than planned."""

    kind: Literal["controller_late"] = word("commands act some updates later than planned")
    updates: int = quantity("", "updates on top of controller.delay_updates", ge=1, le=8)
    caution: ClassVar[str] = "Meanwhile the last command holds; each update of delay takes phase margin from every loop."


class ControllerFrozen(Lasting):
    """The controller does not run."""

    kind: Literal["controller_frozen"] = word("the controller stops running; its last duties hold")
    caution: ClassVar[str] = "A held voltage vector does not turn with the rotor: currents reverse with every half turn."


class CommandLost(Lasting):
    """A command does not arrive."""

    kind: Literal["command_lost"] = word("a command is no longer received")
    command: CommandName = word("which key of [commands]")
    reads: Literal["held", "zero"] = word("what the controller goes by: the last value received, or zero", "held")
    caution: ClassVar[str] = "References in the recording that the controller does not report go on as the scenario asks."


class CommandImplausible(Lasting):
    """A command arrives wrong."""

    kind: Literal["command_implausible"] = word("a command arrives with a wrong value")
    command: CommandName = word("which key of [commands]")
    value: float = quantity("", "what arrives, in the command's unit", ge=-1e9, le=1e9)
    caution: ClassVar[str] = "The controller's own limits decide what comes of it."


class SupplyDip(Lasting):
    """The source's voltage drops."""

    kind: Literal["supply_dip"] = word("the voltage of source or mains changes")
    factor: float = quantity("", "multiplies the source's voltage", ge=0, le=2)
    caution: ClassVar[str] = "A source without diodes takes current back from the link while its voltage is low."


class ContactorOpen(Lasting):
    """The supply is cut off."""

    kind: Literal["contactor_open"] = word("the contactor between supply and link opens")
    caution: ClassVar[str] = "Regeneration has nowhere to go but the link capacitor and a chopper; the arc is not modelled."


class LinkShort(Lasting):
    """A resistance across the link."""

    kind: Literal["link_short"] = word("a resistance lies across the link")
    resistance_ohm: float = quantity("ohm", "resistance of the short", gt=0, le=1e6)
    caution: ClassVar[str] = "The inductance of the short itself is left out, so that its first current is Vdc/R."


class MagnetDemagnetised(Fault):
    """The magnets lose part of their flux."""

    kind: Literal["magnet_demagnetised"] = word("the magnets lose part of their flux, for good")
    lost_percent: float = quantity("percent", "part of the magnet flux that is lost", gt=0, le=100)
    caution: ClassVar[str] = (
        "All magnets alike and at once; the flux linkage stays continuous, so that the current steps. A flux map is shifted "
        "along d and its saturation kept."
    )


class CoolantLost(Lasting):
    """Less heat goes into the coolant, or none."""

    kind: Literal["coolant_lost"] = word("the coolant of inverter or machine stands still or is gone")
    part: Literal["inverter", "machine"] = word("whose coolant; needs [inverter.heat] with a sink, or [machine.heat]")
    left_percent: float = quantity("percent", "what still passes from sink or iron into the coolant", 0.0, ge=0, le=100)
    caution: ClassVar[str] = "The coolant itself keeps its temperature; a standing one would boil, which is not modelled."


class ShaftLocked(Lasting):
    """The shaft stands, whatever acts on it."""

    kind: Literal["shaft_locked"] = word("the shaft jams; with two masses the load's side does")
    caution: ClassVar[str] = "It stops within no time; the kinetic energy leaves the bench and is told in the audit."


class ShaftBroken(Fault):
    """The shaft between two masses breaks."""

    kind: Literal["shaft_broken"] = word("the elastic shaft of load.kind two_mass breaks, for good")
    caution: ClassVar[str] = "The rotor alone is light: a torque command races it within milliseconds."


class LoadTorqueShock(Lasting):
    """More load torque."""

    kind: Literal["load_torque_shock"] = word("a torque comes on top of the load's")
    value_Nm: float = quantity("Nm", "additional load torque, opposes positive rotation", ge=-1e7, le=1e7)
    caution: ClassVar[str] = "It acts at once and holds its sign, also when the shaft turns the other way."


DRIVE_FAULTS = (
    ControllerLate, ControllerFrozen, CommandLost, CommandImplausible, SupplyDip, ContactorOpen, LinkShort,
    MagnetDemagnetised, CoolantLost, ShaftLocked, ShaftBroken, LoadTorqueShock,
)  # fmt: skip
