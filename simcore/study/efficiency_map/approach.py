"""The way to a fixed point x = g(x) of many temperatures, where g costs a run each time it is asked."""

import numpy as np

_LEAST_PART, _MOST_PART = 0.3, 1.5


class Approach:
    """next(x, f) => where to ask next, from x (n,) that was asked last and the distance f = g(x) - x found there.

    seen: the components (a mask) in which lengths are measured, all of one unit.  The part of f that is gone is Aitken's
    relaxation of a vector (B. M. Irons, R. C. Tuck, Int. J. Numer. Methods Eng. 1, 1969, from memory).
    Checked: tests/study/test_efficiency_map_heat.py.
    """

    def __init__(self, seen):
        self._seen = seen
        self._part, self.before = 1.0, None

    def next(self, x, f):
        if self.before is not None:
            change = (f - self.before)[self._seen]
            size = float(change @ change)
            if size > 0.0:
                wanted = -self._part * float(self.before[self._seen] @ change) / size
                self._part = float(np.clip(wanted, _LEAST_PART, _MOST_PART))
        self.before = f
        return x + self._part * f

    def turned(self, f):
        """True where f points back, against the distance before."""
        return self.before is not None and float(f[self._seen] @ self.before[self._seen]) < 0.0
