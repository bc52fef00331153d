"""The work of a map: points of one drive on a rig, run here or in another process, each until it is steady."""

import math
from collections import deque
from dataclasses import dataclass
from functools import cached_property

from simcore.kernel import sources_key
from simcore.loop.ensemble import iterate_ensemble
from simcore.loop.loading import load_controller
from simcore.scenario import ScenarioError
from simcore.study.efficiency_map.heat import FAR_K, run_warm
from simcore.study.efficiency_map.measured import measured, too_hot
from simcore.study.efficiency_map.point import as_row, failed_point, from_row, point_of
from simcore.study.efficiency_map.rig import heated, point_scenario, with_heat
from simcore.study.efficiency_map.warming import warming
from simcore.study.efficiency_map.window import ROUNDS, Windows, greatest_torque_Nm
from simcore.study.machine_torque import Machine

BEYOND = 1.2  # times the greatest torque: who asks for so much wants to know what the drive gives
STIFF_SHARE = 0.8  # of the voltage limit: with a higher speed voltage a run begins at its own currents


@dataclass(frozen=True)
class MapJob:
    """What all points share; goes to other processes as plain data.  document, path: the drive on a rig (rig.rig_document)."""

    document: dict
    path: str
    sources: str = ""

    as_row, from_row = staticmethod(as_row), staticmethod(from_row)

    @classmethod
    def of(cls, document, path):
        return cls(document, str(path), sources_key())

    @property
    def identity(self):
        """Plain values that shape the points besides document and sources."""
        return ["map"]

    @cached_property
    def scenario(self):
        """The drive on the rig at standstill, without torque."""
        return point_scenario(self.document, self.path, 0.0, 0.0, 0.01)

    @cached_property
    def windows(self):
        return Windows(self.scenario)

    @cached_property
    def greatest_Nm(self):
        """Greatest torque of the machine at its current limit [Nm]."""
        return greatest_torque_Nm(self.scenario)

    @cached_property
    def apparent_W(self):
        """Greatest apparent power of the power stage, 1.5 x Vdc/sqrt(3) x max_current_A [W]."""
        return 1.5 * self.scenario.supply.voltage_V / math.sqrt(3.0) * self.scenario.machine.max_current_A

    @cached_property
    def _no_load_flux_Wb(self):
        return abs(Machine(self.scenario).flux(0j))

    @cached_property
    def _references(self):
        """(torque, speed, link voltage) => current references of the built-in controller; None for others."""
        if not self.scenario.controller.built_in:
            return None
        from simcore.study.response.built_in import BuiltIn

        return BuiltIn(self.scenario).references

    def start_A(self, speed_rpm, torque_Nm):
        """(speed, torque) => (id, iq) at which the run of a point begins [A].

        None as long as the link is above the speed voltage: the integrators start empty, and without current they are right.
        Above it the run would begin with a surge; there it begins at the operating point.
        """
        scenario, link_V = self.scenario, self.scenario.supply.voltage_V
        omega_e = abs(speed_rpm) * math.pi / 30.0 * scenario.machine.pole_pairs
        if omega_e * self._no_load_flux_Wb < STIFF_SHARE * link_V / math.sqrt(3.0) or self._references is None:
            return 0.0, 0.0
        return tuple(float(one) for one in self._references(torque_Nm, speed_rpm, link_V))

    def at(self, index, values, round_=0):
        """(number, (speed, torque), round) => Scenario of the run.  Raises ScenarioError."""
        speed_rpm, torque_Nm = values
        duration_s = self.windows.at(speed_rpm, torque_Nm, round_).duration_s
        start_A = self.start_A(speed_rpm, torque_Nm)
        return point_scenario(self.document, self.path, speed_rpm, torque_Nm, duration_s, start_A, self.scenario.tick_s)

    @cached_property
    def _cold_document(self):
        """The document of runs that find their thermal steady state on the way; None where a run begins with it, or has none.

        Only a compiled run can be held in between.
        """
        if not heated(self.document) or not hasattr(load_controller(self.scenario), "compiled_step"):
            return None
        return with_heat(self.document, "coolant")

    @cached_property
    def _cold_scenario(self):
        return point_scenario(self._cold_document, self.path, 0.0, 0.0, 0.01)

    def _run_at(self, index, values, round_):
        """(number, (speed, torque), round) => (Scenario to run, its Warming or None)."""
        if self._cold_document is None:
            return self.at(index, values, round_), None
        to_the_end = abs(values[1]) > BEYOND * self.greatest_Nm
        plan = warming(self._cold_scenario, self.windows.at(*values, round_), to_the_end)
        start_A, tick_s = self.start_A(*values), self.scenario.tick_s
        return point_scenario(self._cold_document, self.path, *values, plan.longest_s, start_A, tick_s), plan

    def here(self, todo, workers=None, progress=None):
        """([(number, (speed, torque)), ...]) => MapPoints as they finish, on all cores (or `workers`) of this process.

        A point that is not steady at the end of its run is run again, longer; progress(done) gets the points that are through.
        """
        waiting, through = deque(todo), 0
        for round_ in range(ROUNDS):
            again = []
            for point, moving in self._round(waiting, round_, workers, _told(progress, len(todo) - len(waiting), again)):
                if moving and round_ + 1 < ROUNDS:
                    again.append((point.index, point.values))
                else:
                    through += 1
                    yield point
            waiting = deque(again)

    def _round(self, todo, round_, workers, progress):
        """One run of each point => (MapPoint, whether it was still moving)."""
        refused, order, plans, far_K = [], [], {}, {}

        def members():
            for index, values in todo:
                try:
                    scenario, plan = self._run_at(index, values, round_)
                except ScenarioError as error:
                    refused.append(failed_point(index, values, "; ".join(error.problems)))
                    continue
                order.append((index, values))
                plans[id(scenario)] = plan
                yield scenario

        def drive(member, step, check):
            if plans[id(member.scenario)] is None:
                member.run_compiled(step, check)
            else:
                far_K[id(member.scenario)] = run_warm(member, step, check, plans[id(member.scenario)])

        def take(recording):
            far, plan = far_K.pop(id(recording.scenario), 0.0), plans.pop(id(recording.scenario))
            if recording.error is not None:
                return None
            if math.isinf(far):
                return too_hot(recording)
            window = self.windows.at(recording.scenario.load.speed_rpm.at(0.0), round_=round_)
            found = measured(recording, window, self.greatest_Nm, self.apparent_W)
            return found if plan is None or far <= FAR_K else found.also_moving(f"a temperature is {far:.3g} K from its rest")

        for result in iterate_ensemble(members(), take, workers=workers, progress=progress, drive=drive):
            while refused:
                yield refused.pop(), False
            index, values = order[result.index]
            if result.value is None:
                yield failed_point(index, values, result.error or "nothing was recorded"), False
            else:
                yield point_of(index, values, result.value, self.greatest_Nm), bool(result.value.moving)
        for point in refused:
            yield point, False

    def __getstate__(self):
        """Without what was made from it here."""
        names = type(self).__dataclass_fields__
        return {name: value for name, value in self.__dict__.items() if name in names}


def _told(progress, before, again):
    return None if progress is None else lambda done: progress(before + done - len(again))
