"""[load]: what the shaft is connected to."""

from typing import Annotated, Literal

from pydantic import Field

from simcore.scenario.fields import Table, quantity, word
from simcore.scenario.profile import ProfileField


class RigLoad(Table):
    """A test rig that imposes the speed."""

    name: str = word("name for tables and figures", "")
    kind: Literal["rig"] = word("the speed is imposed")
    speed_rpm: ProfileField = quantity("rpm", "imposed mechanical speed over time")


class FreeLoad(Table):
    """One inertia with friction and a load torque that opposes positive rotation."""

    name: str = word("name for tables and figures", "")
    kind: Literal["free"] = word("one inertia with friction and load torque")
    inertia_kg_m2: float = quantity("kg_m2", "inertia of rotor and load", gt=0, le=1e6)
    viscous_Nm_s: float = quantity("Nm_s", "friction torque a rad/s", 0.0, ge=0, le=1e6)
    coulomb_Nm: float = quantity("Nm", "friction torque while turning", 0.0, ge=0, le=1e6)
    stiction_Nm: float = Field(
        default_factory=lambda seen: seen.get("coulomb_Nm", 0.0),
        description="break-away torque at standstill; by default coulomb_Nm",
        json_schema_extra={"unit": "Nm"},
        ge=0,
        le=1e6,
    )
    torque_Nm: ProfileField = quantity("Nm", "load torque over time, opposes positive rotation", 0.0, validate_default=True)


class LockedLoad(Table):
    """The shaft cannot turn."""

    name: str = word("name for tables and figures", "")
    kind: Literal["locked"] = word("the shaft cannot turn")


LoadModel = Annotated[RigLoad | FreeLoad | LockedLoad, Field(discriminator="kind")]
