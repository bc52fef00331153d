"""The loop response of a scenario, whole: predicted, over the range, for what is wanted, and measured."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from simcore.study.response.built_in import BuiltIn, flux_of
from simcore.study.response.comparison import curves_of
from simcore.study.response.drive_at import linear_drive, update_of
from simcore.study.response.operating_range import survey
from simcore.study.response.point import IMPOSED, OperatingPoint, at_time, point_of, speed_at
from simcore.study.response.predicted import predict_current, predict_speed
from simcore.study.response.voltage_error import lost_voltage_V
from simcore.study.response.wanted import Tuner

PREDICTABLE = ("torque", "speed", "current")
NEAR_ZERO = 0.1  # of the current limit


@dataclass(frozen=True, eq=False)
class Loop:
    """One loop: PredictedLoop and MeasuredLoop, either may be None, and Curves by name."""

    predicted: object
    measured: object
    curves: dict

    @property
    def worst_name(self):
        """The cut with the least phase margin, of what is predicted else of what was measured; None where nothing crosses."""
        if self.predicted is not None:
            return self.predicted.worst.name
        worst = self.measured.worst if self.measured is not None else None
        return worst[0] if worst is not None else next(iter(self.curves), None)


@dataclass(eq=False)
class Response:
    """What `tune` finds. loops by name: current, speed, torque. told: sentences about what was not done, or differently."""

    scenario: object
    point: OperatingPoint
    drive: object = None
    loops: dict = field(default_factory=dict)
    survey: object = None
    suggestions: list = field(default_factory=list)
    told: list = field(default_factory=list)


class Study:
    """(scenario, time of the operating point or None: its end) => the stages of `tune`, each adding to `response`."""

    def __init__(self, scenario, at_s=None):
        self.scenario, self.update_s = scenario, update_of(scenario)
        at_s = scenario.run.duration_s if at_s is None else at_s
        mode = scenario.controller.mode or "torque"
        self.built_in, told = None, []
        if not scenario.controller.built_in:
            name = Path(scenario.controller.class_).name
            told.append(f'controller.class = "{name}" is not the built-in one: its loop cannot be predicted.')
        elif mode not in PREDICTABLE:
            told.append(f'controller.mode = "{mode}" closes no loop: there is nothing to predict.')
        else:
            self.built_in = BuiltIn(scenario)
        self.flux = flux_of(scenario.machine)
        point = at_time(scenario, self.built_in, at_s) if self.built_in is not None else _own_point(scenario, at_s, self.flux)
        self.response = Response(scenario, point, told=told)

    @property
    def has_speed_loop(self):
        """True for the built-in's speed mode, which runs on a free shaft."""
        return self.built_in is not None and self.scenario.controller.mode == "speed"

    def predict(self, cut="error"):
        """Current loop at held speed, and the speed loop around it."""
        if self.built_in is None:
            return
        response = self.response
        response.drive = linear_drive(self.scenario, self.built_in, response.point, flux=self.flux)
        self._keep("current", predict_current(response.drive, cut), None)
        if self.has_speed_loop:
            drive = linear_drive(self.scenario, self.built_in, response.point, with_speed=True, flux=self.flux)
            self._keep("speed", predict_speed(drive), None)

    def look_over_range(self, speeds_rpm=None, links_V=None, tell=None):
        """The current loop over speed, torque and link voltage."""
        if self.built_in is not None:
            self.response.survey = survey(
                self.scenario, self.built_in, flux=self.flux, speeds_rpm=speeds_rpm, links_V=links_V, tell=tell
            )

    def suggest(self, wishes):
        """Gains for each (rule, value). Raises WantedError."""
        tuner = Tuner(self.scenario, self.response.point, self.flux)
        self.response.suggestions = [tuner.suggest(*wish) for wish in wishes]

    def measure(self, inject="auto", tell=None):
        """Loops of the running drive (measuring.py)."""
        from simcore.study.response.measuring import measure_all

        for name, (measured, told) in measure_all(self, inject, tell).items():
            before = self.response.loops.get(name)
            if measured is not None:
                self._keep(name, before.predicted if before is not None else None, measured)
            self.response.told += told
        self._tell_of_dead_time()

    def _tell_of_dead_time(self):
        """Where prediction and measurement differ because small currents do not see a linear drive."""
        scenario, loop, point = self.scenario, self.response.loops.get("current"), self.response.point
        small = float(np.hypot(*point.reference_A)) < NEAR_ZERO * scenario.machine.max_current_A
        differs = loop is not None and any(curves.agrees is False for curves in loop.curves.values())
        if differs and (small or point.omega == 0.0) and lost_voltage_V(scenario, point.link_V) > 0.0:
            self.response.told.append(
                "Near zero current (of a phase, at standstill) dead time acts as a resistance that depends on the size of the "
                "injection: prediction and measurement differ there."
            )

    def _keep(self, name, predicted, measured):
        names = dict.fromkeys(predicted.cuts if predicted is not None else ())
        names |= dict.fromkeys(measured.curves if measured is not None else ())
        curves, of_torque = {}, self._torque_currents() if name == "torque" else None
        for cut in names:
            found = measured.curves.get(cut) if measured is not None else None
            curves[cut] = curves_of(cut, predicted, closed_response(predicted, cut, of_torque), found, self.update_s)
        self.response.loops[name] = Loop(predicted, measured, curves)

    def _torque_currents(self):
        """(closed current loop, currents for a torque (2,)) for the torque's answer; None without a prediction."""
        if self.built_in is None:
            return None
        point = self.response.point
        per_torque, _ = self.built_in.slopes(point.torque_Nm, point.speed_rpm, point.link_V, 0.01 * point.most_Nm, 1.0)
        return self.response.loops["current"].predicted.closed, per_torque


def loop_response(scenario, *, at_s=None, measure=False, inject="auto", over_range=False):
    """(Scenario, time of the operating point: its end) => Response: its loops by name, predicted and (measure) measured.

    response.loops["current"].predicted.worst.margins.phase_margin_deg, for example. inject: "auto", "reference" or "voltage".
    Raises ScenarioError for a tuning that the controller refuses, RunError where a run cannot finish.
    """
    study = Study(scenario, at_s)
    study.predict("output" if inject == "voltage" else "error")
    if over_range:
        study.look_over_range()
    if measure:
        study.measure(inject)
    return study.response


def closed_response(predicted, cut, torque_currents):
    """(PredictedLoop or None, cut, what _torque_currents gives) => function of frequency => closed response of what that cut's
    measurement excites; None without a prediction."""
    if cut == "torque":
        if torque_currents is None:
            return None
        closed, per_torque = torque_currents
        return lambda f: (closed.response(f, ("torque",), ("id", "iq")) @ per_torque)[:, 0]
    if predicted is None:
        return None
    if cut in ("d", "q"):
        return lambda f: predicted.closed.response(f, (f"i{cut}_measured",), (f"i{cut}",))[:, 0, 0]
    if cut == "speed":
        return lambda f: predicted.closed.response(f, ("speed_measured",), ("speed",))[:, 0, 0]
    if cut in predicted.cuts:
        loop = predicted.cuts[cut].loop
        return lambda f: loop(f) / (1.0 + loop(f))
    return None


def _own_point(scenario, at_s, flux):
    """The operating point of a controller of which nothing is known but its commands."""
    commands = scenario.commands
    if scenario.load.kind in IMPOSED or commands.speed_rpm is None:
        speed_rpm = speed_at(scenario, at_s)
    else:
        speed_rpm = commands.speed_rpm.at(at_s)
    reference = np.array([value.at(at_s) if value is not None else 0.0 for value in (commands.id_A, commands.iq_A)])
    point = point_of(scenario, reference, speed_rpm, scenario.supply.voltage_V, at_s, flux)
    if commands.torque_Nm is None:
        return point
    return type(point)(**{**vars(point), "torque_Nm": commands.torque_Nm.at(at_s)})
