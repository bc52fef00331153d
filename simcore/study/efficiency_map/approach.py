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


class SteepRoot:
    """next(x, f, steepness) => where to ask next for the root of a falling function, f found at x.

    steepness: -df/dx as a formula has it near the root; the secant's is taken where it is alike.  The function may be flat
    before a kink, so the root is kept between two ends (the upper one `highest` at first), which are halved where a step of
    Newton's brings little.
    """

    def __init__(self, highest):
        self._low, self._high = None, (highest, -np.inf)
        self._last = None

    def next(self, x, f, steepness):
        last, self._last = self._last, (x, f)
        if f > 0.0:
            self._low = (x, f)
        else:
            self._high = (x, f)
        top = self._high[0]
        ahead = x + f / _alike(steepness, last, (x, f))
        brings_little = last is not None and f * last[1] > 0.0 and abs(f) > 0.5 * abs(last[1])
        if self._low is None:
            # Where it is flat it still falls about as fast as x rises.
            return x + max(f, -10.0) if brings_little else max(ahead, x - 10.0)
        if brings_little or not self._low[0] < ahead < top:
            return 0.5 * (self._low[0] + top)
        return min(ahead, 0.5 * (x + top)) if f > 0.0 else ahead


def _alike(steepness, last, here):
    """The steepness between two points where it is like the formula's, else the formula's."""
    if last is None or abs(here[0] - last[0]) < 1e-9:
        return steepness
    secant = (last[1] - here[1]) / (here[0] - last[0])
    return secant if 0.4 * steepness < secant < 1.2 * steepness else steepness
