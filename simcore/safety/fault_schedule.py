"""All faults of a run as timed writes into its own records: who runs it stops at `next_tick` and calls `apply`.

Kernels know nothing of it: a run without faults takes the same steps as before.
"""

from bisect import bisect_right

import numpy as np

from simcore.safety.fault_effect import Bench
from simcore.safety.fault_effects import effect_of
from simcore.safety.fault_places import Write, compose, read, write
from simcore.safety.fault_times import spans

NEVER = 2**62
_DELAY = ("params", "clock", "delay_updates")


class FaultSchedule:
    """(scenario, records by name at tick 0, names of the profiles, the magnets' flux linkage [Wb]) => patches.

    `patches` is a list of (tick, writes); `spans` holds for each fault of the scenario its (first tick, end tick) pairs.
    """

    def __init__(self, scenario, records, profiles, magnets_Wb):
        self._records = records
        clock = records["params"][0]["clock"]
        per_update = int(clock["ticks_per_update"])
        self.spans = [spans(fault, scenario.tick_s, per_update, scenario.ticks) for fault in scenario.fault]
        bench = Bench(scenario, records, profiles, magnets_Wb)
        self._effects = [effect_of(fault, bench) for fault in scenario.fault]
        self._healthy = self._healthy_values()
        self._courses = {place: ([], []) for place in self._healthy}
        self.patches = self._plan(per_update)
        self._at = 0

    def _healthy_values(self):
        found = {}
        for effect in self._effects:
            for change in effect.changes:
                value = read(self._records, change.place) if change.healthy is None else change.healthy
                found.setdefault(change.place, value)
        return found

    def _plan(self, per_update):
        """Edges of all faults => (tick, writes) in the order of time."""
        edges = {}
        for k, parts in enumerate(self.spans):
            for first, last in parts:
                edges.setdefault(first, []).append((k, True))
                edges.setdefault(last, []).append((k, False))
        active, now, patches = {}, dict(self._healthy), []
        for tick in sorted(edges):
            # Ends first: one span may end where the next of the same fault begins.
            for k, begins in sorted(edges[tick], key=lambda edge: edge[1]):
                if begins:
                    active[k] = tick
                else:
                    del active[k]
            touched = {change.place for k, _ in edges[tick] for change in self._effects[k].changes}
            writes = []
            for place in sorted(touched, key=str):
                value = compose(self._healthy[place], list(self._acting(active, place)))
                if place == _DELAY:
                    writes += self._held_commands(tick // per_update, now[place], value)
                now[place] = value
                writes.append(Write(place, "set", value))
                self._courses[place][0].append(tick)
                self._courses[place][1].append(value)
            for k, begins in edges[tick]:
                writes += self._effects[k].at_onset if begins else ()
            patches.append((tick, tuple(writes)))
        return patches

    def _acting(self, active, place):
        for k in sorted(active):
            for change in self._effects[k].changes:
                if change.place == place:
                    yield change.how, change.value(active[k]) if callable(change.value) else change.value

    def _held_commands(self, update, before, after):
        """A longer delay leaves updates without a command of their own: the last one that is due holds."""
        state = self._records["states"]
        queues = [name for name in state.dtype.names if name.startswith("pending")]
        span = state.dtype["pending"].shape[0]
        last = (update + before - 1) % span
        slots = [(update + ahead) % span for ahead in range(before, after)]
        return [Write(("states", name, slot), "copy", ("states", name, last)) for slot in slots for name in queues]

    @property
    def next_tick(self):
        """Tick at which the next patch is due; far beyond any run where there is none."""
        return self.patches[self._at][0] if self._at < len(self.patches) else NEVER

    def apply(self, tick):
        """Write all that is due by this tick."""
        while self.next_tick <= tick:
            for order in self.patches[self._at][1]:
                write(self._records, order)
            self._at += 1

    def course(self, place, ticks):
        """(place, ticks) => the value there at each tick as an array, or the healthy one where no fault ever touches it."""
        if place not in self._healthy:
            return read(self._records, place)
        at, values = self._courses[place]
        values = [self._healthy[place], *values]
        return np.array([values[bisect_right(at, tick)] for tick in ticks])
