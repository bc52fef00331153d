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

    def swings(self, f):
        """True where f points back by about as much as the distance before, as no smooth way does."""
        if self.before is None:
            return False
        now, before = f[self._seen], self.before[self._seen]
        return float(now @ before) < 0.0 and float(now @ now) > 0.25 * float(before @ before)


class SteepRoot:
    """next(x, f, steepness) => where to ask next for the root of a falling function, f found at x.

    The function is steep up to `highest`, where the formula's steepness holds (-df/dx), but may be flat before a kink: there
    the secant counts.  The root is kept between two ends.
    """

    def __init__(self, highest):
        self._low, self._top, self._last = None, highest, None

    def note(self, x, f):
        """Something that is known of the function."""
        self._last = (x, f)
        if f > 0.0:
            self._low = x
        else:
            self._top = min(x, self._top)

    def next(self, x, f, steepness):
        last = self._last
        self.note(x, f)
        secant = (last[1] - f) / (x - last[0]) if last is not None and abs(x - last[0]) > 1e-9 else steepness
        alike = 0.4 * steepness < secant < 1.2 * steepness
        if f > 0.0:
            flat = last is not None and last[1] > 0.0 and secant < 0.4 * steepness
            ahead = x + f / (max(secant, 0.5) if flat else secant if alike else steepness)
            return min(ahead, 0.5 * (x + self._top))
        ahead = x + f / (secant if alike else steepness)
        if self._low is None:
            # Where the steps bring little it is flat, and falls about as fast as x rises.
            little = last is not None and last[1] < 0.0 and f < 0.5 * last[1]
            return x + max(f, -10.0) if little else max(ahead, x - 10.0)
        return ahead if ahead > self._low else 0.5 * (self._low + x)
