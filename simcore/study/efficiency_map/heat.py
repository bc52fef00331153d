"""Each point at its thermal steady state, found while its run goes on.

A window's mean losses tell where they would hold every temperature (loop/thermal_steady.py); the run is put there, a few times,
as losses follow temperature.  Where a temperature derates the torque they follow it so steeply that this would swing back and
forth: there the temperatures go slowly, as in a machine of little heat capacity, and the drive's own loop finds where it rests.
Checked: tests/study/test_efficiency_map_heat.py.
"""

import math
from dataclasses import dataclass

import numpy as np

from simcore.loop.records import OK
from simcore.loop.thermal_steady import KEPT, begin_warm, forget_losses, jump_to_steady
from simcore.study.efficiency_map.approach import Approach

MOST_STEPS = 6
CLOSE_K, FAR_K = 0.3, 1.0  # met; so far off in the end that the point counts as unsteady
WINDOW_S = 0.03
NEAR_DERATING_K, INTO_DERATING_K, TOO_HOT_K = 10.0, 3.0, 5.0
FILTERS = 5.0  # time constants of the derating's lag that a changed temperature is waited for
SLOW, SLOW_RUN = 10.0, 48.0  # the same: time constant of slow temperatures, and for how long at most
STEEP = 15.0  # about how much farther the losses' temperature moves than the temperature that derates
_SEEN = ("switch_degC", "diode_degC", "winding_degC", "iron_degC", "magnet_degC")


@dataclass(frozen=True)
class Warming:
    """How a heated point runs.  settle_s: before the first window of losses; window_s: of losses; lag_s: of the derating;
    after_s, measure_s: at the end, once temperatures have met; derates_degC: (junction, winding, magnet) from which torque is
    reduced, infinite where nothing is; to_the_end: also where the torque asked for is too much for the temperatures."""

    settle_s: float
    window_s: float
    lag_s: float
    after_s: float
    measure_s: float
    derates_degC: tuple
    to_the_end: bool = False

    @property
    def longest_s(self):
        """Length of the run where temperatures are slow to meet."""
        steps = MOST_STEPS * (FILTERS * self.lag_s + 1.5 * self.window_s)
        return self.settle_s + steps + 1.5 * SLOW_RUN * self.lag_s + self.after_s + 2.0 * self.measure_s

    @property
    def slow_window_s(self):
        """Window of losses while temperatures go slowly."""
        return min(self.window_s, self.lag_s)


def warming(scenario, window, to_the_end):
    """(Scenario, Window of the point, see Warming) => Warming."""
    lag_s = scenario.controller.tuning.get("derating_filter_s", 0.05)
    lag_s = float(lag_s) if isinstance(lag_s, (int, float)) else 0.05
    turns = max(1, math.ceil(WINDOW_S / window.length_s - 1e-9))
    machine = scenario.machine.heat
    limits = (
        scenario.inverter.derate_from_degC, machine and machine.derate_from_winding_degC,
        machine and machine.derate_from_magnet_degC,
    )  # fmt: skip
    return Warming(
        window.settle_s, turns * window.length_s, max(lag_s, 0.02), window.tau_s, max(2, turns) * window.length_s,
        tuple(math.inf if limit is None else float(limit) for limit in limits), to_the_end,
    )  # fmt: skip


def run_warm(member, step, check, plan):
    """(Member at tick 0, its CompiledStep, check, Warming) => K by which the measured losses would still move a temperature.

    The run is over after it, or broken off; it may end before the scenario's length.  Infinite: the run was given up, because
    what it loses at the coolant's temperature heats beyond a derating already, so that the torque cannot stay.
    """
    drive = _Drive(member, step, check, plan)
    drive.run(plan.settle_s)
    way, derated = Approach(drive.seen), False
    for _ in range(MOST_STEPS):
        distance = drive.losses(plan.window_s)
        if not drive.running or drive.farthest(distance) < CLOSE_K:
            break
        if way.before is None and not plan.to_the_end and drive.above(drive.place + distance, TOO_HOT_K):
            return math.inf
        if way.turned(distance) and drive.above(drive.place):
            derated = True
            drive.go_slowly(way.before)
            break
        drive.put(way.next(drive.place, distance))
        if drive.above(drive.place, -NEAR_DERATING_K):
            drive.run(FILTERS * plan.lag_s)
    drive.run(plan.after_s)
    left_K = drive.farthest(drive.losses(plan.measure_s))
    return left_K / STEEP if derated else left_K


class _Drive:
    """A running member whose temperatures are put and whose losses are measured; place: all temperatures (n,), as put last."""

    def __init__(self, member, step, check, plan):
        self._member, self._step, self._check, self._plan = member, step, check, plan
        power = member.params[0]["power"]
        self._every = math.lcm(max(int(power["heat_ticks"]), 1), max(int(power["machine_ticks"]), 1))
        self._tick_s = member.scenario.tick_s
        self._like = _fields(member.states)
        self.place = _flat(self._like)
        self.seen = _flat({name: np.full_like(value, name in _SEEN) for name, value in self._like.items()}) > 0.0

    @property
    def running(self):
        return self._member.states["status"][0] == OK

    def run(self, seconds):
        """Go on for about so long, up to a tick at which every temperature steps."""
        tick = int(self._member.states["tick"][0])
        until = self._every * math.ceil((tick + seconds / self._tick_s - 1e-6) / self._every)
        self._member.run_compiled(self._step, self._check, until=until)

    def losses(self, seconds):
        """A window of losses => the way from where the temperatures were put to where these would hold them (n,).

        Not from where they are: at low speed junctions swing about their mean.
        """
        member = self._member
        forget_losses(member.states[0])
        begin = int(member.states["tick"][0])
        self.run(seconds)
        length_s = (int(member.states["tick"][0]) - begin) * self._tick_s
        if not self.running or length_s <= 0.0:
            return np.zeros_like(self.place)
        params, states = member.params.copy(), member.states.copy()
        jump_to_steady(params, states, length_s)
        return _flat(_fields(states)) - self.place

    def put(self, place):
        self.place = place
        begin_warm(self._member.params, self._member.states, self._shaped(place))

    def go_slowly(self, before):
        """(way that led here) => temperatures from where derating begins on that way on, slowly until they rest."""
        plan = self._plan
        self.put(self._into_derating(self.place - before))
        part = -math.expm1(-plan.slow_window_s / (SLOW * plan.lag_s))
        resting = 0
        for _ in range(math.ceil(SLOW_RUN * plan.lag_s / plan.slow_window_s)):
            distance = self.losses(plan.slow_window_s)
            resting = resting + 1 if self.farthest(distance) < STEEP * CLOSE_K else 0
            if not self.running or resting > FILTERS:
                break
            self.put(self.place + part * distance)

    def _into_derating(self, cold):
        """(a place from which one came) => where on the way to the present one a temperature begins to derate, and a bit on."""
        beyond = [
            (limit + INTO_DERATING_K - before) / (now - before)
            for before, now, limit in zip(self._limited(cold), self._limited(self.place), self._plan.derates_degC, strict=True)
            if now > limit + INTO_DERATING_K > before
        ]
        share = min(beyond, default=1.0)
        return cold + share * (self.place - cold)

    def above(self, place, kelvin=0.0):
        """(place, K) => True where a temperature stands so far above the one from which torque is reduced."""
        return any(now > limit + kelvin for now, limit in zip(self._limited(place), self._plan.derates_degC, strict=True))

    def _limited(self, place):
        """Hottest junction, winding, magnet [degC]."""
        fields = self._shaped(place)
        hottest = max(float(np.max(fields["switch_degC"])), float(np.max(fields["diode_degC"])))
        return hottest, float(fields["winding_degC"]), float(fields["magnet_degC"])

    def farthest(self, distance):
        """(way (n,)) => the greatest of its temperatures [K]."""
        return float(np.max(np.abs(distance[self.seen])))

    def _shaped(self, flat):
        ends = np.cumsum([np.size(self._like[name]) for name in KEPT])[:-1]
        parts = zip(KEPT, np.split(flat, ends), strict=True)
        return {name: part.reshape(np.shape(self._like[name])) for name, part in parts}


def _fields(states):
    return {name: np.array(states[0]["power"][name]) for name in KEPT}


def _flat(fields):
    return np.concatenate([np.ravel(fields[name]) for name in KEPT])
