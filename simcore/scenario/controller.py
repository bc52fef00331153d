"""[controller], [commands], [initial]: who drives, what is asked for, and from where the run starts."""

import re
from pathlib import Path
from typing import Any

from pydantic import Field, field_validator

from simcore.scenario.fields import Table, quantity, refuse, table, word
from simcore.scenario.profile import ProfileField

BUILT_IN = "controllers.foc:FieldOrientedController"
MODES = ("torque", "speed", "current", "voltage", "open_loop")
# The commands of each mode of the built-in controller: at least one must be given; open_loop needs the first.
COMMANDS_OF_MODE = {
    "torque": ("torque_Nm",),
    "speed": ("speed_rpm",),
    "current": ("id_A", "iq_A"),
    "voltage": ("vd_V", "vq_V"),
    "open_loop": ("voltage_V", "frequency_Hz"),
}
# Tables that the controller is told of; [controller.machine] and the like change what it is told, not the drive.
BELIEVED = ("machine", "inverter", "load")
_CLASS = re.compile(r"(?P<module>[^\W\d]\w*(\.[^\W\d]\w*)*|.+\.py):(?P<name>[^\W\d]\w*)\Z")
LIBRARY_ENDINGS = (".so", ".dll", ".dylib")


class Controller(Table):
    """The controller's class and what it is given."""

    class_: str = Field(
        BUILT_IN,
        alias="class",
        description="module:Class; the module lies beside the file that names it, or is importable; file.py:Class too; "
        "or a C library: my_control.so",
        json_schema_extra={"unit": ""},
    )
    mode: str | None = word(
        "torque, speed, current, voltage or open_loop for the built-in (default torque); free for others", None
    )
    tuning: dict[str, Any] = table("belongs to the class, checked by the class", dict)
    machine: dict[str, Any] = table("keys of [machine] that the controller believes otherwise", dict)
    inverter: dict[str, Any] = table("keys of [inverter] that the controller believes otherwise", dict)
    load: dict[str, Any] = table("keys of [load] that the controller believes otherwise", dict)
    delay_updates: int = quantity("", "updates from a sample to the duties it leads to", 1, ge=0, le=8)

    @field_validator("class_")
    @classmethod
    def _module_and_class(cls, value):
        if not (_CLASS.match(value) or value.endswith(LIBRARY_ENDINGS)):
            remedy = f'Write "module:Class", for example "{BUILT_IN}", or a C library, "my_control.so"'
            raise refuse("must name a module and a class", remedy)
        return value

    @property
    def built_in(self) -> bool:
        """True for the shipped field-oriented controller."""
        return self.class_ == BUILT_IN

    @property
    def library(self) -> Path | None:
        """The C library that is the controller; None for a Python class."""
        return Path(self.class_) if self.class_.endswith(LIBRARY_ENDINGS) else None

    @property
    def module(self) -> str:
        """Dotted module name, or the path of a .py file."""
        return self.class_.rpartition(":")[0]

    @property
    def class_name(self) -> str:
        """Name of the class in its module."""
        return self.class_.rpartition(":")[2]

    @property
    def file(self) -> Path | None:
        """The .py file to load the class from; None for an importable module."""
        return Path(self.module) if self.module.endswith(".py") else None


class Commands(Table):
    """What the controller is asked for, over time; None where not given."""

    torque_Nm: ProfileField | None = quantity("Nm", "torque reference", None)
    speed_rpm: ProfileField | None = quantity("rpm", "speed reference, mechanical", None)
    id_A: ProfileField | None = quantity("A", "d-axis current reference", None)
    iq_A: ProfileField | None = quantity("A", "q-axis current reference", None)
    vd_V: ProfileField | None = quantity("V", "d-axis voltage", None)
    vq_V: ProfileField | None = quantity("V", "q-axis voltage", None)
    voltage_V: ProfileField | None = quantity("V", "amplitude of the open-loop voltage, phase peak", None)
    frequency_Hz: ProfileField | None = quantity("Hz", "electrical frequency of the open-loop voltage; negative: reverse", None)
    run_request: ProfileField | None = quantity("", "1: run, 0: ramp down to zero and stay there; default 1", None)


class Initial(Table):
    """State at tick 0."""

    speed_rpm: float = quantity("rpm", "speed; on a rig the profile's", 0.0, ge=-1e6, le=1e6)
    angle_electrical_deg: float = quantity("deg", "electrical angle of the d axis from phase a", 0.0, ge=-36000, le=36000)
    id_A: float = quantity("A", "d-axis current", 0.0, ge=-1e6, le=1e6)
    iq_A: float = quantity("A", "q-axis current", 0.0, ge=-1e6, le=1e6)
