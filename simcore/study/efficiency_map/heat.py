"""Each point at its thermal steady state, found while its run goes on.

A window's mean losses tell where they would hold every temperature (loop/thermal_steady.py); the run is put there, a few times,
as losses follow temperature.  Where a temperature derates the torque they follow it so steeply that this would swing back and
forth: there the root is looked for along that temperature (approach.py), whose slope is about known: torque in a straight line
between two temperatures, losses as its square.  Checked: tests/study/test_efficiency_map_heat.py.
"""

import math

import numpy as np

from simcore.loop.records import OK
from simcore.loop.thermal_steady import KEPT, begin_warm, forget_losses, jump_to_steady
from simcore.study.efficiency_map.approach import Approach, SteepRoot
from simcore.study.efficiency_map.warming import FILTERS, MOST_DERATED, MOST_STEPS

CLOSE_K, FAR_K = 0.3, 1.0  # met; so far off in the end that the point counts as unsteady
CLOSE_DERATED_K = 0.04  # the same of the temperature that derates: 15 K are all of the torque
NEAR_DERATING_K, INTO_DERATING_K, TOO_HOT_K = 10.0, 3.0, 5.0
STEEP_FOR_K = 7.0  # beyond the place where derating begins the slope is known well
_SEEN = ("switch_degC", "diode_degC", "winding_degC", "iron_degC", "magnet_degC")


def run_warm(member, step, check, plan):
    """(Member at tick 0, its CompiledStep, check, Warming) => K by which the measured losses would still move a temperature.

    The run is over after it, or broken off; it may end before the scenario's length.  Infinite: the run was given up, because
    what it loses at the coolant's temperature heats beyond a derating already, so that the torque cannot stay.
    """
    drive = _Drive(member, step, check, plan)
    drive.run(plan.settle_s)
    way, derated, before = Approach(drive.seen), False, None
    for _ in range(MOST_STEPS):
        place, distance = drive.place, drive.losses(plan.window_s)
        if not drive.running or drive.farthest(distance) < CLOSE_K:
            break
        too_hot = before is None and drive.above(place + distance, TOO_HOT_K)
        if too_hot and not plan.to_the_end:
            return math.inf
        if too_hot or way.swings(distance) and drive.above(place):
            derated = True
            drive.rest_derated(*((place, place + distance) if too_hot else (before, place)), distance, too_hot)
            break
        before = place
        drive.put(way.next(place, distance))
        if drive.above(drive.place, -NEAR_DERATING_K):
            drive.run(FILTERS * plan.lag_s)
    drive.run(plan.after_s)
    distance = drive.losses(plan.measure_s)
    return drive.limiting_step(distance)[1] * FAR_K / 0.3 if derated else drive.farthest(distance)


class _Drive:
    """A running member whose temperatures are put and whose losses are measured; place: all temperatures (n,), as put last."""

    def __init__(self, member, step, check, plan):
        self._member, self._step, self._check, self._plan = member, step, check, plan
        power = member.params[0]["power"]
        self._every = math.lcm(max(int(power["heat_ticks"]), 1), max(int(power["machine_ticks"]), 1))
        self._tick_s = member.scenario.tick_s
        self._like = _fields(member.states)
        self.place = _flat(self._like)
        self.seen = self._where(*_SEEN)
        self._devices = self._where("switch_degC", "diode_degC")
        self._winding, self._magnet = (int(np.flatnonzero(self._where(name))[0]) for name in ("winding_degC", "magnet_degC"))
        self._coolest = self.place.copy()
        self._roots = {}  # number of a limit => its SteepRoot, and the targets on either side of it

    def _where(self, *names):
        return _flat({name: np.full_like(value, name in names) for name, value in self._like.items()}) > 0.0

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

    def rest_derated(self, cold, hot, distance, guessed):
        """(a place, one that is too hot, the way found there, or guessed) => temperatures that the torque still left holds."""
        plan, most = self._plan, self._most_derated(hot)
        enters = self._into_derating(cold, hot)
        if guessed or self._limited(hot)[most] > self._limited(enters)[most] + STEEP_FOR_K:
            self.put(enters)
        else:
            self.place = hot
            self.put(self.limiting_step(distance)[0])
        for _ in range(MOST_DERATED):
            self.run(FILTERS * plan.lag_s)
            distance = self.losses(plan.window_s)
            place, step_K = self.limiting_step(distance)
            if not self.running or step_K < CLOSE_DERATED_K and self.farthest(distance) < FAR_K:
                return
            self.put(place)
        self.run(FILTERS * plan.lag_s)

    def _most_derated(self, place):
        """Number of the limit, of junction, winding and magnet, that leaves the least torque."""
        plan = self._plan
        limits = zip(self._limited(place), plan.derates_degC, plan.highest_degC, strict=True)
        left = [(most - now) / (most - start) if math.isfinite(start) else math.inf for now, start, most in limits]
        return int(np.argmin(left))

    def limiting_step(self, distance):
        """(way (n,)) => the next place, and about how far the temperature that derates most is from its rest [K].

        Losses, and what they heat over the coolant, go with the square of the torque that is left, which falls in a straight
        line to the highest temperature: d target/d temperature = -2 (target - coolant)/(highest - temperature).
        """
        limited, plan = self._limited(self.place), self._plan
        most = self._most_derated(self.place)
        at = self._limited_at(self.place)[most]
        target = self.place + distance
        heated, room = target - self._coolest, max(plan.highest_degC[most] - limited[most], 0.2)
        steepness = 1.0 + max(2.0 * float(heated[at]) / room, 0.0)
        if most not in self._roots:
            self._roots[most] = SteepRoot(plan.highest_degC[most]), {}
        root, ends = self._roots[most]
        here = float(self.place[at])
        ends[distance[at] > 0.0] = (here, target)
        there = root.next(here, float(distance[at]), steepness)
        if len(ends) == 2:
            place = self._between(ends, there)
        else:
            place = self._coolest + min(max(1.0 - 2.0 * (there - here) / room, 0.5), 1.7) * heated
        place[at] = there
        return place, abs(float(distance[at])) / steepness

    def _between(self, ends, there):
        """({False, True: (temperature, target)}, temperature) => the targets in between, by straight lines."""
        (a, cold), (b, hot) = ends[True], ends[False]
        share = min(max((there - a) / (b - a), 0.0), 1.0) if b > a else 0.5
        return cold + share * (hot - cold)

    def _into_derating(self, cold, hot):
        """(two places) => where on the way from one to the other a temperature begins to derate, and a bit on."""
        limits = zip(self._limited(cold), self._limited(hot), self._plan.derates_degC, strict=True)
        enters = [max(at - a, 0.0) / (b - a) for a, b, limit in limits if b > max(at := limit + INTO_DERATING_K, a)]
        return cold + min(enters, default=1.0) * (hot - cold)

    def above(self, place, kelvin=0.0):
        """(place, K) => True where a temperature stands so far above the one from which torque is reduced."""
        return any(now > limit + kelvin for now, limit in zip(self._limited(place), self._plan.derates_degC, strict=True))

    def _limited(self, place):
        """Hottest junction, winding, magnet [degC]."""
        return tuple(float(place[at]) for at in self._limited_at(place))

    def _limited_at(self, place):
        """Where these stand in a place."""
        devices = np.flatnonzero(self._devices)
        return int(devices[np.argmax(place[devices])]), self._winding, self._magnet

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
