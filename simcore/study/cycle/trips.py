"""A scenario's vehicle drives a cycle: in the loop, by the map, or both; what comes of it in one object."""

from dataclasses import dataclass, field

from simcore.scenario import ScenarioError
from simcore.scenario.errors import one_of
from simcore.study.cycle.balance import compared, figures
from simcore.study.cycle.battery import Battery
from simcore.study.cycle.loop_trip import LoopTrip
from simcore.study.cycle.map_trip import MapTrip
from simcore.study.cycle.road import Vehicle, wheel_energy
from simcore.study.cycle.schedule import Cycle, load_cycle
from simcore.study.worth import worth_of

MODES = ("loop", "map", "both")


@dataclass
class CycleResult:
    """courses and figures by mode ("loop", "map"); compared: map less loop where both were driven, else None; asked: what the
    cycle asks at the wheels by calculation; battery_kWh: energy of the scenario's battery between empty and full, else None."""

    scenario: object
    cycle: Cycle
    courses: dict
    figures: dict
    compared: dict | None
    asked: object
    battery_kWh: float | None
    timing: dict = field(default_factory=dict)

    @property
    def course(self):
        """The course of the loop where there is one, else the map's."""
        return next(iter(self.courses.values()))

    @property
    def main(self):
        """Its figures."""
        return self.figures[self.course.mode]

    @property
    def worth(self):
        """Worth of its consumption, None where the trip used nothing."""
        used = self.main["kWh_per_100km"]
        return worth_of(used, self.scenario.cycle.assumptions, self.battery_kWh) if used > 0.0 else None

    @property
    def finished(self):
        return all(not course.ended for course in self.courses.values())


def check_vehicle(scenario):
    """Raises ScenarioError where the scenario has nothing that drives on a road."""
    problems, name = [], scenario.path.name
    if scenario.load.kind != "vehicle":
        rule = "a cycle is driven by a vehicle"
        problems.append(f'{name}: load.kind = "{scenario.load.kind}": {rule}. Set load.kind = "vehicle" with its road load.')
    if scenario.supply.kind == "rectifier":
        rule = "a vehicle carries no mains with it, and a rectifier takes nothing back"
        problems.append(f'{name}: supply.kind = "rectifier": {rule}. Set supply.kind = "battery", or "source" for a stiff one.')
    if problems:
        raise ScenarioError(problems)


def chosen_cycle(scenario, name=None, repeat=1):
    """(Scenario, name or file of the cycle, None: [cycle] name) => Cycle.  Raises ScenarioError."""
    wanted, folder = (name, ".") if name else (scenario.cycle.name, scenario.path.parent)
    if not wanted:
        raise ScenarioError([f"{scenario.path.name}: cycle.name: no cycle is named. Name one, or give --cycle."])
    if repeat < 1:
        raise ScenarioError([f"--repeat {repeat}: must be at least 1. Change it."])
    return load_cycle(wanted, folder).repeated(repeat)


def drive_cycle(scenario, cycle=None, mode="loop", progress=None, *, table=None):
    """(Scenario with a vehicle, Cycle or its name or file) => CycleResult.

    mode: "loop" (closed loop at PWM rate), "map" (losses from a table of loop points) or "both". progress(what, done, total) is
    called as it goes.  table: a LossTable of this drive to use again.  Raises ScenarioError for what cannot be driven, RunError
    where the loop breaks off at once.
    """
    if mode not in MODES:
        raise ScenarioError([f'mode "{mode}": must be {one_of(MODES)}. Choose one.'])
    check_vehicle(scenario)
    if not isinstance(cycle, Cycle):
        cycle = chosen_cycle(scenario, cycle)
    courses = {}
    if mode in ("loop", "both"):
        trip = LoopTrip(scenario, cycle)
        courses["loop"] = trip.run(None if progress is None else lambda done, total: progress("loop", done, total))
    if mode in ("map", "both"):
        trip = MapTrip(scenario, cycle, table)
        trip.make_table(None if progress is None else lambda done, total: progress("loss table", done, total))
        courses["map"] = trip.run()
    told = {name: figures(course, scenario.driver, cycle) for name, course in courses.items()}
    vehicle, battery = Vehicle.of(scenario.load), Battery(scenario.supply)
    return CycleResult(
        scenario, cycle, courses, told, compared(told["loop"], told["map"]) if mode == "both" else None,
        wheel_energy(cycle, vehicle, grade=scenario.load.grade_percent),
        battery.capacity_kWh * (1.0 - scenario.driver.empty_charge) if battery.cells else None,
    )  # fmt: skip
