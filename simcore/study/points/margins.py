"""How far inside its limits each point lies, in units that unlike measures share; the best and the worst point."""

import math

import numpy as np

_LIMITS = ("min", "max", "equal", "tolerance")


def limit_of(expectation):
    """expectation model => dict of the limits that it gives, as verdicts hold them."""
    return {key: getattr(expectation, key) for key in _LIMITS if getattr(expectation, key) is not None}


def margin(value, limit):
    """(value, limits) => distance to the nearest limit, negative outside [the measure's unit]; -inf where there is no value."""
    if not math.isfinite(value):
        return -math.inf
    distances = []
    if "min" in limit:
        distances.append(value - limit["min"])
    if "max" in limit:
        distances.append(limit["max"] - value)
    if "equal" in limit:
        distances.append(limit.get("tolerance", 0.0) - abs(value - limit["equal"]))
    return min(distances)


def spreads(points, count):
    """(Points, how many expectations) => standard deviation of each measure over the points; 1 where it is constant."""
    found = []
    for k in range(count):
        values = [point.measured[k] for point in points if math.isfinite(point.measured[k])]
        deviation = float(np.std(values)) if len(values) > 1 else 0.0
        # Rounding is no spread.
        constant = deviation <= 1e-12 * max((abs(value) for value in values), default=0.0)
        found.append(1.0 if constant or not math.isfinite(deviation) else deviation)
    return found


def scores(points, limits):
    """(Points, limits of each expectation) => for each point the least margin of all its expectations, in standard deviations.

    -inf: the run did not finish or a measure has no value.  NaN: the point was refused, so that nothing ran.
    """
    scale = spreads(points, len(limits))
    found = []
    for point in points:
        if point.refused:
            found.append(math.nan)
        elif point.error is not None:
            found.append(-math.inf)
        else:
            found.append(min(margin(v, limit) / s for v, limit, s in zip(point.measured, limits, scale, strict=True)))
    return found


def best_and_worst(points, limits):
    """(Points, limits) => (best Point, worst Point), each None where no point ran.

    The best has most in hand at its tightest limit; the worst lies farthest beyond one, or did not finish.
    """
    ran = [(score, point) for score, point in zip(scores(points, limits), points, strict=True) if not math.isnan(score)]
    if not ran:
        return None, None
    best = max(ran, key=lambda one: (one[0], -one[1].index))[1]
    worst = min(ran, key=lambda one: (one[0], one[1].error is None, one[1].index))[1]
    return best, worst
