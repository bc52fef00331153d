"""[load]: what the shaft is connected to."""

from typing import Annotated, Literal

from pydantic import Field

from simcore.scenario.fields import Table, quantity, word
from simcore.scenario.profile import ProfileField

GRAVITY_m_per_s2 = 9.80665  # standard gravity


class RigLoad(Table):
    """A test rig that imposes the speed."""

    name: str = word("name for tables and figures", "")
    kind: Literal["rig"] = word("the speed is imposed")
    speed_rpm: ProfileField = quantity("rpm", "imposed mechanical speed over time")


class FrictionLoad(Table):
    """Friction and load torque of a load that turns freely."""

    name: str = word("name for tables and figures", "")
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


class FreeLoad(FrictionLoad):
    """One inertia with friction and a load torque that opposes positive rotation."""

    kind: Literal["free"] = word("one inertia with friction and load torque")
    inertia_kg_m2: float = quantity("kg_m2", "inertia of rotor and load", gt=0, le=1e6)

    @property
    def total_inertia_kg_m2(self):
        """What the speed loop turns [kg m2]."""
        return self.inertia_kg_m2


class LockedLoad(Table):
    """The shaft cannot turn."""

    name: str = word("name for tables and figures", "")
    kind: Literal["locked"] = word("the shaft cannot turn")


class TwoMassLoad(FrictionLoad):
    """Rotor and load with an elastic shaft and backlash between them; friction and load torque act on the load."""

    kind: Literal["two_mass"] = word("two masses with an elastic shaft")
    inertia_kg_m2: float = quantity("kg_m2", "inertia of the rotor", gt=0, le=1e6)
    load_inertia_kg_m2: float = quantity("kg_m2", "inertia of the load, at the rotor's speed", gt=0, le=1e6)
    stiffness_Nm_per_rad: float = quantity("Nm_per_rad", "stiffness of the shaft", gt=0, le=1e9)
    damping_Nm_s: float = quantity("Nm_s", "damping of the shaft", 0.0, ge=0, le=1e6)
    backlash_deg: float = quantity("deg", "play between both masses, mechanical degrees end to end", 0.0, ge=0, le=360)

    @property
    def total_inertia_kg_m2(self):
        """What the speed loop turns [kg m2]."""
        return self.inertia_kg_m2 + self.load_inertia_kg_m2


class RoadLoad(Table):
    """Resistance to motion F0 + F1 v + F2 v^2, v in km/h (the form of UN GTR No. 15, from memory)."""

    F0_N: float = quantity("N", "constant part (rolling)", ge=0, le=1e7)
    F1_N_per_kmh: float = quantity("N_per_kmh", "part that grows with speed", 0.0, ge=-1e5, le=1e5)
    F2_N_per_kmh2: float = quantity("N_per_kmh2", "part that grows with speed squared", 0.0, ge=0, le=1e4)


class VehicleLoad(Table):
    """A vehicle on its wheels behind a gear. Wheel slip is left out: wheel speed and road speed are one."""

    name: str = word("name for tables and figures", "")
    kind: Literal["vehicle"] = word("a vehicle: road load, grade, gear; without wheel slip")
    mass_kg: float = quantity("kg", "mass", gt=0, le=1e7)
    road_load: RoadLoad | None = word("F0, F1, F2; or give drag_area_m2 and rolling_coefficient", None)
    drag_area_m2: float | None = quantity("m2", "drag coefficient x frontal area", None, ge=0, le=1000)
    rolling_coefficient: float | None = quantity("", "rolling resistance over weight", None, ge=0, le=1)
    air_density_kg_per_m3: float = quantity("kg_per_m3", "density of the air", 1.2, gt=0, le=10)
    rotational_inertia_factor: float = quantity("", "mass in acceleration over mass at rest", 1.03, ge=1, le=10)
    rotor_inertia_kg_m2: float = quantity("kg_m2", "inertia of the rotor, on top of the factor", 0.0, ge=0, le=1e6)
    wheel_radius_m: float = quantity("m", "rolling radius", gt=0, le=10)
    gear_ratio: float = quantity("", "rotor turns a wheel turn", gt=0, le=1000)
    gear_efficiency: float = quantity("", "torque handed on over torque taken, either direction", 1.0, gt=0.1, le=1)
    grade_percent: ProfileField = quantity("percent", "slope of the road over time, rise over run", 0.0, validate_default=True)

    @property
    def road_N(self):
        """Road load F0 [N], F1 [N s/m], F2 [N s2/m2]."""
        if self.road_load is not None:
            r = self.road_load
            return r.F0_N, r.F1_N_per_kmh * 3.6, r.F2_N_per_kmh2 * 3.6**2
        drag = 0.5 * self.air_density_kg_per_m3 * (self.drag_area_m2 or 0.0)
        return (self.rolling_coefficient or 0.0) * self.mass_kg * GRAVITY_m_per_s2, 0.0, drag

    @property
    def arm_m(self):
        """Metres of road a radian of the rotor."""
        return self.wheel_radius_m / self.gear_ratio

    @property
    def total_inertia_kg_m2(self):
        """Inertia seen by the rotor [kg m2]."""
        return self.rotor_inertia_kg_m2 + self.rotational_inertia_factor * self.mass_kg * self.arm_m**2


LoadModel = Annotated[RigLoad | FreeLoad | TwoMassLoad | VehicleLoad | LockedLoad, Field(discriminator="kind")]
