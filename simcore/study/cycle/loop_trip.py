"""A trip in the closed loop at PWM rate: between two looks of the driver the compiled run goes on alone."""

import math

import numpy as np

from simcore.loop import Bench, RunError
from simcore.loop.errors import controller_sentence, where
from simcore.loop.records import LOAD, OK, TORQUE
from simcore.loop.thermal_steady import wanted_steady
from simcore.scenario import ScenarioError
from simcore.scenario.controller import MODES, Commands, Initial
from simcore.scenario.profile import Profile
from simcore.scenario.reader import scenario_from
from simcore.study.cycle.course import Course
from simcore.study.cycle.driver import Driver
from simcore.study.cycle.map_trip import MapTrip
from simcore.study.cycle.road import Vehicle
from simcore.study.cycle.steady import begun_cold, warm_up
from simcore.study.machine_torque import greatest_torque

TELL_EVERY = 50  # looks between two calls of progress
MOST_ROWS = 400_000
_LOSSES = {
    "battery": "loss_supply_W", "capacitor": "loss_capacitor_W", "conduction": "loss_conduction_W",
    "switching": "loss_switching_W", "gate": "loss_gate_W", "copper": "loss_copper_W", "iron": "loss_iron_W",
    "gear": "loss_gear_W", "chopper": "loss_chopper_W",
}  # fmt: skip
_TEMPERATURES = ("junction", "sink", "winding", "iron", "magnet")


class LoopTrip:
    """(Scenario with a vehicle, Cycle) => the trip, ready to run.  Raises ScenarioError where there is nothing to drive."""

    def __init__(self, scenario, cycle):
        scenario = _stepped(scenario)
        self.original, self.cycle = scenario, cycle
        self.vehicle = Vehicle.of(scenario.load)
        tick_s = scenario.tick_s
        self.ticks_per_look = max(2, 2 * round(0.5 * scenario.driver.step_s / tick_s))
        self.step_s = self.ticks_per_look * tick_s
        self.looks = max(1, math.ceil(cycle.duration_s / self.step_s - 1e-9))
        self.rows_every = max(1, math.ceil(self.looks / MOST_ROWS))
        greatest = greatest_torque(scenario)
        slope = scenario.load.grade_percent
        self.driver = Driver(scenario.driver, self.vehicle, cycle, self.step_s, self.looks, greatest, slope)
        self.scenario = self._driven(begun_cold(scenario))
        self.bench = Bench(self.scenario)
        if not hasattr(self.bench.controller, "compiled_step"):
            raise self._in_python()

    def _driven(self, scenario):
        """The scenario with nothing asked but what the driver asks."""
        start_rpm = self.driver.asked[0] / self.vehicle.arm_m * 30.0 / math.pi
        controller = scenario.controller
        if controller.built_in or controller.mode in MODES:
            controller = controller.model_copy(update={"mode": "torque"})
        run = scenario.run.model_copy(
            update={"duration_s": self.looks * self.step_s, "record_every": self.ticks_per_look * self.rows_every}
        )
        nothing = Profile((0.0,), (0.0,))
        return scenario.model_copy(
            update={
                "controller": controller, "run": run, "commands": Commands(torque_Nm=nothing), "expect": (), "scope": (),
                "fault": (), "initial": Initial(speed_rpm=float(start_rpm)),
                "load": scenario.load.model_copy(update={"grade_percent": nothing}),
            }
        )  # fmt: skip

    def load_kernels(self):
        self.bench.load_kernels()

    def run(self, progress=None):
        """progress(done_s, total_s) => Course, up to where the trip ended."""
        member, step = self.bench.member()
        if step is None:
            raise self._in_python()
        if wanted_steady(self.original):
            warm_up(member, MapTrip(self.original, self.cycle).run())
        brake_J, ended = self._drive(member, step, progress)
        recording = member.close()
        if recording.error is not None and len(recording.time_s) == 0:
            raise RunError(recording.error, recording)
        return self._course(recording, brake_J, ended)

    def _in_python(self):
        rule = f"{type(self.bench.controller).__name__} steps in Python; a cycle in the loop needs a compiled controller"
        where = f"{self.scenario.path.name}: controller.class"
        return ScenarioError([f"{where}: {rule}. Derive it from CompiledController, or use --mode map."])

    def _drive(self, member, step, progress):
        """=> energy of the friction brakes in each look [J], and why it ended early ("" or "empty")."""
        from simcore.loop.run import compiled_run

        run, common = compiled_run(), member.common
        own = (step.function, step.parameters, step.state, step.tables)
        ticks = member.scenario.ticks
        run(*common, 0, ticks, 0, *own)
        places = _Places(member)
        brake_J = np.zeros(self.looks)
        driver, arm, battery = self.driver, self.vehicle.arm_m, self.scenario.supply.kind == "battery"
        empty = self.original.driver.empty_charge
        begun, asked = _clock(), np.zeros(self.looks)
        total_s = self.looks * self.step_s
        ended = ""
        for k in range(self.looks):
            charge = places.charge.item() if battery else 0.5
            torque, brake = driver.look(
                k, places.omega.item() * arm, places.given.item(), charge, places.link.item()
            )
            asked[k] = torque
            places.ask(torque, brake, driver.weight_Nm, first=k == 0)
            before = places.dry_J.item()
            try:
                run(*common, min((k + 1) * self.ticks_per_look, ticks), ticks, 0, *own)
            except Exception as error:
                place = f" at {where(self.scenario, int(member.states['tick'][0]))}"
                member.problem = controller_sentence(self.bench.controller, "update", error, place, inside=False)
                break
            brake_J[k] = (places.dry_J.item() - before) * places.brake_share(brake)
            if places.status.item() != OK:
                break
            if battery and places.charge.item() <= empty:
                ended = "empty"
                break
            if progress is not None and k % TELL_EVERY == 0:
                member.wall_s = _clock() - begun
                progress((k + 1) * self.step_s, total_s)
        member.wall_s = _clock() - begun
        self.extremes = _extremes(self.scenario, member.states["power"][0])
        self.asked_Nm, self.closing_charge = asked, places.charge.item() if battery else math.nan
        return brake_J, ended

    def _left_out(self):
        if self.original.fault:
            yield "A cycle leaves out the faults of the scenario."

    def _course(self, recording, brake_J, ended):
        rows, every = len(recording.time_s), self.rows_every
        length = recording.row_length_s
        pad = lambda values: np.append(values, np.zeros(rows * every - len(values)))[: rows * every]  # noqa: E731
        brakes_W = pad(brake_J[: rows * every]).reshape(rows, every).sum(axis=1) / length
        asked = pad(self.asked_Nm[: rows * every]).reshape(rows, every).mean(axis=1)
        losses = {name: recording[signal] for name, signal in _LOSSES.items() if signal in recording.signals}
        losses["auxiliary"] = np.full(rows, float(self.scenario.supply.auxiliary_W))
        losses["friction_brakes"] = brakes_W
        losses["road_load"] = recording["loss_friction_W"] - brakes_W
        speed = recording["vehicle_speed_kmh"]
        at = np.arange(rows) * every
        middle = np.append(0.5 * (speed[1:] + speed[:-1]), speed[-1]) / 3.6 if rows else speed
        weight_N = np.array(self.driver.weights_N)[at]
        brake_N = np.divide(brakes_W, middle, out=np.zeros(rows), where=middle > 0.05)
        stored = dict(recording.audit["stored_changes_J"])
        temperatures = {name: f"{name}_degC" for name in _TEMPERATURES if f"{name}_degC" in recording.signals}
        return Course(
            mode="loop", time_s=recording.time_s, length_s=length, speed_asked_kmh=self.driver.asked[at] * 3.6, speed_kmh=speed,
            torque_Nm=recording["torque_Nm"], torque_asked_Nm=asked, brake_N=brake_N,
            grade_percent=self.vehicle.grade_percent(weight_N), link_voltage_V=recording["link_voltage_V"],
            state_of_charge=recording["state_of_charge"], power_supply_W=recording["power_supply_W"],
            power_link_W=recording["power_link_W"], power_shaft_W=recording["power_shaft_W"], losses_W=losses,
            temperatures_degC={name: recording[signal] for name, signal in temperatures.items()}, climbing_W=weight_N * middle,
            kinetic_J=stored.pop("kinetic"), stored_J=sum(stored.values()), closing_charge=self.closing_charge,
            ended=ended or recording.error or "", empty=ended == "empty", wall_s=recording.timing["wall_s"],
            audit=recording.audit, extremes=self.extremes, told=(*recording.findings, *self._left_out()),
        )  # fmt: skip


def _extremes(scenario, power):
    """(Scenario, POWER_STATE after the trip) => {name: worst of all ticks}, without what the part says nothing about."""
    peaks = {"peak_voltage_V": float(power["peak_V"]), "dv_dt_V_per_s": float(power["peak_dv_dt"])}
    worst = {name: value for name, value in peaks.items() if value > 0.0}
    return worst | ({"junction_degC": float(power["hottest_degC"])} if scenario.inverter.heat is not None else {})


def _stepped(scenario):
    """The scenario with the solver steps that a cycle asks for, checked anew: too long a step is refused."""
    steps = scenario.cycle.substeps
    if steps is None or steps == scenario.run.substeps:
        return scenario
    document = scenario.resolved | {"run": scenario.resolved["run"] | {"substeps": steps}}
    return scenario_from(document, scenario.path)


class _Places:
    """Where the driver reads and writes in a member's records: views of one element, read by .item()."""

    def __init__(self, member):
        state, parameters = member.states, member.params
        self.omega, self.link = state["plant"]["omega"], state["plant"]["link_V"]
        self.charge, self.status = state["plant"]["charge"], state["status"]
        self.dry_J, self.given = state["audit"]["coulomb_J"], member.commands["torque_estimate_Nm"]
        self._now = state["profile_now"][0]
        shaft = parameters["shaft"]
        self._coulomb, self._stiction = shaft["coulomb_Nm"], shaft["stiction_Nm"]
        self._road_Nm, self._road_stiction = self._coulomb.item(), self._stiction.item()
        self._points = member.points
        self._starts = [int(parameters[0]["profiles"][index]["start"]) + 1 for index in (TORQUE, LOAD)]

    def ask(self, torque, brake, weight, first):
        """Torque of the machine, of the brakes and of the slope [Nm] that hold until the next look."""
        self._now[TORQUE], self._now[LOAD] = torque, weight
        self._coulomb[0], self._stiction[0] = self._road_Nm + brake, self._road_stiction + brake
        if first:
            # Tick 0 reads every profile anew.
            self._points[self._starts[0]], self._points[self._starts[1]] = torque, weight

    def brake_share(self, brake):
        """Share of the dry friction that is the brakes'."""
        return brake / (brake + self._road_Nm) if brake > 0.0 else 0.0


def _clock():
    from time import perf_counter

    return perf_counter()
