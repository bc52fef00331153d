"""[driver]: who follows a drive cycle, how far braking is left to the machine, and when the battery ends the trip."""

from pydantic import model_validator

from simcore.scenario.fields import Table, quantity, refuse, table, word


class Regeneration(Table):
    """What of the braking the machine may take; the friction brakes take the rest."""

    max_torque_Nm: float | None = quantity("Nm", "greatest braking torque of the machine; absent: no limit", None, ge=0, le=1e6)
    max_power_W: float | None = quantity("W", "greatest braking power at its shaft; absent: no limit", None, ge=0, le=1e9)
    max_charge_A: float | None = quantity("A", "greatest current to the supply, losses not counted", None, ge=0, le=1e6)
    none_below_kmh: float = quantity("kmh", "below it the friction brakes do all of it", 3.0, ge=0, le=500)
    full_above_kmh: float = quantity("kmh", "from it on the machine may take all; its share rises between", 8.0, ge=0, le=500)
    full_charge: float = quantity("", "state of charge from which the battery takes nothing, 0..1", 0.98, gt=0, le=1)
    charge_band: float = quantity("", "width of charge below it over which what it takes fades", 0.02, gt=0, le=1)

    @model_validator(mode="after")
    def _in_order(self):
        if self.full_above_kmh < self.none_below_kmh:
            raise refuse(f"must not lie below none_below_kmh = {self.none_below_kmh:g} (km/h)", "Raise it", ("full_above_kmh",))
        return self


class Driver(Table):
    """The driver of a cycle: feed-forward of road load and acceleration, and a PI controller of the speed."""

    step_s: float = quantity("s", "time between two looks at the speed; rounded to whole updates", 0.01, gt=0, le=1)
    speed_bandwidth_Hz: float = quantity("Hz", "f of the speed loop: kp = 2 pi f m, ki = (2 pi f)^2 m/4", 0.5, gt=0, le=100)
    brake_deceleration_m_per_s2: float = quantity("m_per_s2", "greatest deceleration by friction brakes", 6.0, gt=0, le=50)
    hold_below_kmh: float = quantity("kmh", "slower than this, where the cycle stands, the brakes hold", 0.5, gt=0, le=10)
    hold_factor: float = quantity("", "torque of the holding brakes over what the slope asks", 1.5, ge=1, le=10)
    tolerance_kmh: float = quantity("kmh", "speed error beyond which the cycle counts as not followed", 2.0, gt=0, le=100)
    tolerance_s: float = quantity("s", "time by which the asked speed may be early or late in that", 1.0, ge=0, le=60)
    empty_charge: float = quantity("", "state of charge at which the trip ends, 0..1", 0.0, ge=0, lt=1)
    regeneration: Regeneration = table("what of the braking the machine may take", Regeneration)


class Assumptions(Table):
    """What a difference in consumption is worth.

    Defaults: price of packs of battery-electric cars in the BloombergNEF survey of December 2025; 160 Wh/kg as a fair value
    between 148 and 174 Wh/kg of recent packs; 400 km and 15 000 km a year are common practice, no source.
    """

    range_km: float = quantity("km", "range for which battery, mass and price are told", 400.0, gt=0, le=1e5)
    battery_kWh: float | None = quantity("kWh", "energy to tell the range of; absent: the battery's or 60", None, gt=0, le=1e6)
    price_USD_per_kWh: float = quantity("USD_per_kWh", "price of a battery pack", 99.0, ge=0, le=1e5)
    specific_energy_Wh_per_kg: float = quantity("Wh_per_kg", "energy of a battery pack over its mass", 160.0, gt=0, le=1e5)
    yearly_distance_km: float = quantity("km", "distance driven in a year", 15000.0, ge=0, le=1e6)


class CycleTable(Table):
    """[cycle]: what belongs to a drive cycle beside its driver."""

    name: str = word("the cycle that `drybench cycle` drives without --cycle", "")
    substeps: int | None = quantity("", "solver steps a tick in a cycle; absent: run.substeps", None, ge=1, le=1000)
    assumptions: Assumptions = table("what a difference in consumption is worth", Assumptions)
