"""Small benches derived from a scenario: its controller and its machine on ideal legs, a stiff link and ideal sensors."""

from simcore.loop import Bench, RunError
from simcore.scenario.controller import Initial
from simcore.scenario.load import FreeLoad, LockedLoad, RigLoad
from simcore.scenario.sensors import Sensors
from simcore.scenario.supply import SourceSupply

CLAMP_Nm = 1e6  # break-away torque that no machine overcomes
IDEAL_LEGS = {"model": "averaged", "dead_time_s": 0.0, "minimum_pulse_s": 0.0, "devices": None}


class Watched:
    """A recording of a derived bench: true current and voltage as complex vectors in the true rotor frame, a row a tick."""

    def __init__(self, recording, broken):
        self.recording, self.broken = recording, broken
        self.current = recording["id_A"] + 1j * recording["iq_A"]
        self.voltage = recording["vd_V"] + 1j * recording["vq_V"]
        self.torque_Nm, self.speed_rpm = recording["torque_Nm"], recording["speed_rpm"]
        self.power_W = recording["power_shaft_W"]
        self.reported = recording["id_reference_A"] + 1j * recording["iq_reference_A"]

    def __len__(self):
        return len(self.current)


class Benches:
    """(scenario, controller) => runs of it on derived benches; keeps the sentences of runs that broke off."""

    def __init__(self, scenario, controller=None, *, with_sensors=False, before_run=None):
        self.link_V = float(scenario.supply.voltage_V)
        self._ideal = scenario.model_copy(
            update={
                "inverter": scenario.inverter.model_copy(update=IDEAL_LEGS),
                "supply": SourceSupply(kind="source", voltage_V=self.link_V),
                "sensors": scenario.sensors if with_sensors else Sensors(),
                "fault": (), "expect": (), "scope": (),
            }
        )  # fmt: skip
        if "inverter" in scenario._believed:
            believed = scenario.controller_inverter.model_copy(update=IDEAL_LEGS)
            self._ideal._believed = {**scenario._believed, "inverter": believed}
        self.scenario = scenario
        bench = Bench(scenario, controller)
        bench.load_kernels()
        self.controller = bench.controller
        self._inertia_kg_m2 = bench.setup().inertia_kg_m2
        self._before_run = before_run
        self.broken = []
        self.ticks_per_update = 1 if scenario.inverter.update == "double" else 2
        self.update_s = self.ticks_per_update * scenario.tick_s

    def locked(self, angle_deg, commands, updates, current=0j):
        """Shaft that cannot turn, at an electrical angle, with a current in the machine at the start."""
        # A clamped shaft keeps its inertia: a speed controller must know it.
        load = LockedLoad(kind="locked") if self._inertia_kg_m2 is None else self._shaft(stiction_Nm=CLAMP_Nm)
        start = Initial(angle_electrical_deg=float(angle_deg), id_A=float(current.real), iq_A=float(current.imag))
        return self._run(load, commands, updates, start)

    def rig(self, speed_rpm, commands, updates):
        """Shaft that turns at an imposed speed."""
        return self._run(RigLoad(kind="rig", speed_rpm=float(speed_rpm)), commands, updates, Initial())

    def free(self, speed_rpm, commands, updates, load_Nm=0.0):
        """Free shaft of the scenario's inertia without friction, from a speed on, against a load torque."""
        return self._run(self._shaft(torque_Nm=float(load_Nm)), commands, updates, Initial(speed_rpm=float(speed_rpm)))

    def turning(self, mode, speed_rpm, commands, updates):
        """A rig, or for a speed controller a free shaft at that speed."""
        return (self.free if mode == "speed" else self.rig)(speed_rpm, commands, updates)

    def _shaft(self, **more):
        return FreeLoad(kind="free", inertia_kg_m2=float(self._inertia_kg_m2), **more)

    def give_inertia(self, inertia_kg_m2):
        """An inertia for free shafts where the scenario's load has none."""
        if self._inertia_kg_m2 is None:
            self._inertia_kg_m2 = inertia_kg_m2

    def _run(self, load, commands, updates, initial):
        if self._before_run is not None:
            self._before_run()
        ticks = updates * self.ticks_per_update
        run = self._ideal.run.model_copy(update={"duration_s": ticks * self._ideal.tick_s, "record_every": 1})
        scenario = self._ideal.model_copy(update={"load": load, "commands": commands, "initial": initial, "run": run})
        try:
            return Watched(Bench(scenario, self.controller).run(), "")
        except RunError as error:
            if error.recording is None:
                raise
            self.broken.append(str(error))
            return Watched(error.recording, str(error))
