"""A recording made of closed forms, as small as the measures allow."""

from types import SimpleNamespace

import numpy as np


class FakeRecording(dict):
    def __init__(self, time_s, signals, pole_pairs=4, **extra):
        super().__init__({name: np.asarray(values, dtype=float) for name, values in signals.items()})
        self.time_s = np.asarray(time_s, dtype=float)
        self.row_s = float(self.time_s[1] - self.time_s[0])
        self.signals = tuple(signals)
        self.scenario = SimpleNamespace(machine=SimpleNamespace(pole_pairs=pole_pairs))
        self.audit = {}
        for name, value in extra.items():
            setattr(self, name, value)


def rows(duration_s, row_s):
    return np.arange(round(duration_s / row_s)) * row_s


def held(time_s, points):
    """Profile of (time, value) pairs, held until the next."""
    times, values = np.array(points, dtype=float).T
    return values[np.maximum(np.searchsorted(times, time_s + 1e-12, side="right") - 1, 0)]
