"""The rehearsal: every variant of the routine from start angles all around, in the real loop."""

import math
from dataclasses import dataclass

import numpy as np

from controllers.alignment import AlignmentController
from simcore.loop import Bench, run_ensemble
from simcore.scenario import ScenarioError
from simcore.scenario.controller import Controller, Initial
from simcore.scenario.profile import Profile
from simcore.study.alignment.resting import Resting
from simcore.study.alignment.routes import VARIANTS, commands, duration_s, read_times
from simcore.study.alignment.timing import usual_timing

CLASS = "controllers.alignment:AlignmentController"
MOST_BANDWIDTH_Hz, UPDATES_PER_PERIOD = 200.0, 100.0
STILL_DEG, SETTLED_DEG, STUCK_DEG = 0.2, 1.0, 90.0  # electrical
STILL_SHARE = 0.1  # of a stand, at whose end the rotor must not move
ROWS_PER_SWING = 100


@dataclass(frozen=True)
class Settled:
    """Where one start ended: electrical degrees of start and end, error against the vector (mean of the readings where there
    are several), the seconds after which it stayed within SETTLED_DEG of its end, and "rest", "stuck" or "moving"."""

    start_deg: float
    settled_deg: float
    error_deg: float
    settle_s: float
    state: str


@dataclass(frozen=True)
class Outcome:
    """A variant and where its starts ended."""

    variant: object
    current_A: float
    routine_s: float
    starts: tuple

    def count(self, state):
        return sum(start.state == state for start in self.starts)

    @property
    def errors_deg(self):
        """Errors (n,) of the starts that came to rest near the vector [deg]."""
        return np.array([start.error_deg for start in self.starts if start.state == "rest"])

    @property
    def worst_deg(self):
        """Largest error of those, NaN where there is none [deg]."""
        return float(np.max(np.abs(self.errors_deg))) if len(self.errors_deg) else math.nan

    @property
    def settle_s(self):
        """The longest of their times [s]."""
        return max((start.settle_s for start in self.starts if start.state == "rest"), default=math.nan)

    @property
    def safe(self):
        """True where every start came to rest near the vector."""
        return self.count("rest") == len(self.starts)


def wrapped_deg(angle_deg):
    """angle [deg] => the same in [-180, 180)."""
    return (np.asarray(angle_deg) + 180.0) % 360.0 - 180.0


def start_angles_deg(count, pole_pairs):
    """=> electrical start angles [deg], even all around; one after the other in the next pole pair, for cogging's sake."""
    return [360.0 * k / count + 360.0 * (k % pole_pairs) for k in range(count)]


def check_shaft(scenario):
    """Raises ScenarioError where nothing can turn."""
    if scenario.load.kind in ("rig", "locked"):
        why = "a rig imposes the speed" if scenario.load.kind == "rig" else "a locked shaft cannot turn"
        remedy = 'Set load.kind = "free" with its inertia and friction'
        raise ScenarioError([f'{scenario.path.name}: load.kind = "{scenario.load.kind}": {why}; no rotor aligns. {remedy}.'])


class Rehearsal:
    """(scenario) => the drive that is zeroed: its machine, legs, supply and load, and a current vector that stands."""

    def __init__(self, scenario, timing=None):
        check_shaft(scenario)
        self.scenario = scenario
        self.resting = Resting(scenario)
        self.timing = timing
        updates_Hz = scenario.inverter.switching_frequency_Hz * (2.0 if scenario.inverter.update == "double" else 1.0)
        self.bandwidth_Hz = min(MOST_BANDWIDTH_Hz, updates_Hz / UPDATES_PER_PERIOD)
        delay = scenario.controller.delay_updates
        tuning = {"current_bandwidth_Hz": self.bandwidth_Hz}
        controller = Controller(**{"class": CLASS}, tuning=tuning, delay_updates=delay)
        self._base = scenario.model_copy(
            update={
                "controller": controller, "load": _standing(scenario.load), "expect": (), "scope": (), "fault": (),
                "inverter": scenario.inverter.model_copy(update={"model": "averaged"}),
            }
        )  # fmt: skip

    def usual_timing(self, current_A):
        """(length of the vector [A]) => Timing that suits the rotor."""
        return usual_timing(self.resting, current_A, self.bandwidth_Hz)

    def load_kernels(self):
        """Loads the machine code that the runs need, or compiles it."""
        Bench(self._base, AlignmentController()).load_kernels()

    def run(self, current_A, starts, variants=VARIANTS, progress=None):
        """(length of the vector [A], number of start angles) => Outcomes in the order of the variants.

        progress(done, total) counts simulated seconds.  Raises RunFailed, with the sentence, where a run breaks off.
        """
        timing = self.timing or self.usual_timing(current_A)
        angles = start_angles_deg(starts, self.scenario.machine.pole_pairs)
        jobs = [(variant, angle) for variant in variants for angle in angles]
        found = run_ensemble(
            [self._scenario(variant, angle, current_A, timing) for variant, angle in jobs],
            lambda recording: None if recording.error else _course(recording),
            controller=lambda scenario: AlignmentController(),
            progress=progress,
        )
        for result in found:
            if result.error:
                raise RunFailed(result.error)
        settled = [_settled(*job, result.value, timing) for job, result in zip(jobs, found, strict=True)]
        return [
            Outcome(variant, current_A, duration_s(variant, timing), tuple(settled[k * starts : (k + 1) * starts]))
            for k, variant in enumerate(variants)
        ]

    def _scenario(self, variant, angle_deg, current_A, timing):
        swing_s = 1.0 / self.resting.swing_Hz(current_A)
        every = max(1, round(min(swing_s / ROWS_PER_SWING, 1e-2) / self._base.tick_s))
        run = self._base.run.model_copy(update={"duration_s": duration_s(variant, timing), "record_every": every})
        asked = {"commands": commands(variant, current_A, timing), "run": run}
        return self._base.model_copy(update={**asked, "initial": Initial(angle_electrical_deg=angle_deg)})


class RunFailed(Exception):
    """A run of the rehearsal broke off; the text is its sentence."""


def _standing(load):
    """The load as it is at time 0: what happens to it later is no part of the routine."""
    for name in ("torque_Nm", "grade_percent"):
        if hasattr(load, name):
            return load.model_copy(update={name: Profile((0.0,), (getattr(load, name).at(0.0),))})
    return load


def _course(recording):
    """recording => time (n,) [s] and electrical angle (n,) [deg], continuous."""
    mechanical = np.unwrap(np.radians(recording["angle_deg"]))
    return recording.time_s.copy(), np.degrees(mechanical) * recording.scenario.machine.pole_pairs


def _settled(variant, start_deg, course, timing):
    """(variant, start angle, course of its run) => Settled."""
    time_s, angle_deg = course
    ends = [int(np.searchsorted(time_s, at_s)) - 1 for at_s in read_times(variant, timing)]
    errors = [float(wrapped_deg(angle_deg[k] - variant.vector_deg)) for k in ends]
    error = float(wrapped_deg(errors[0] + np.mean([wrapped_deg(e - errors[0]) for e in errors])))
    moving = max(np.ptp(angle_deg[(time_s > time_s[k] - STILL_SHARE * timing.hold_s) & (time_s <= time_s[k])]) for k in ends)
    away = np.flatnonzero(np.abs(angle_deg - angle_deg[ends[-1]])[: ends[-1] + 1] > SETTLED_DEG)
    settle_s = float(time_s[away[-1] + 1]) if len(away) and away[-1] < ends[-1] else 0.0 if not len(away) else math.nan
    state = "moving" if moving > STILL_DEG else "stuck" if max(map(abs, errors)) > STUCK_DEG else "rest"
    return Settled(float(wrapped_deg(start_deg)), float(wrapped_deg(variant.vector_deg + error)), error, settle_s, state)
