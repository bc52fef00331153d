"""Runs a bench with timed writes into its power stage: what is broken from which tick on."""

import numpy as np

from simcore import Bench
from simcore.loop.python_shell import run_python

NEVER = 2**62


class Patches:
    """[(tick, {field: value} or {(field, place): value}), ...] => what a member asks of its faults; FAULTS.active follows."""

    schedule, change_machine = None, False

    def __init__(self, member, patches):
        self._faults, self._patches = member.params[0]["inverter"]["faults"], sorted(patches, key=lambda one: one[0])

    @property
    def next_tick(self):
        return self._patches[0][0] if self._patches else NEVER

    def apply(self, tick):
        while self._patches and self._patches[0][0] <= tick:
            for place, value in self._patches.pop(0)[1].items():
                field, *index = place if isinstance(place, tuple) else (place,)
                if index:
                    self._faults[field][index[0]] = value
                else:
                    self._faults[field] = value
        fields = [name for name in self._faults.dtype.names if name not in ("active", "through_ohm")]
        self._faults["active"] = any(np.any(self._faults[name]) for name in fields)

    def told(self, done):
        return []


def run_patched(scenario, controller, patches, start=None):
    """(scenario, controller, patches) => Recording.  start(params, states) may set what no scenario says."""
    bench = Bench(scenario, controller=controller)
    member, step = bench.member()
    member.faults = Patches(member, patches)
    if start is not None:
        start(member.params, member.states)
    problem = None
    if step is not None:
        member.run_compiled(step)
    else:
        _, problem = run_python(member)
    recording = member.close(problem)
    assert recording.error is None, recording.error
    return recording
