"""Long recordings on few pixels: each stretch keeps its smallest and largest value, so no spike is lost."""

import numpy as np

STRETCHES = 1500


def envelope(time_s, values, stretches=STRETCHES):
    """(time (rows,), values (rows,)) => (time, values) with at most 2 points a stretch, in the order they occur.

    Rows without a finite value are gaps; a stretch of nothing else becomes one gap.
    """
    values = np.asarray(values, dtype=np.float64)
    if len(values) <= 2 * stretches:
        return time_s, np.where(np.isfinite(values), values, np.nan)
    edges = np.linspace(0, len(values), stretches + 1).astype(np.int64)
    kept = np.empty(2 * stretches, dtype=np.int64)
    lowest = np.where(np.isfinite(values), values, np.inf)
    highest = np.where(np.isfinite(values), values, -np.inf)
    for k in range(stretches):
        part = slice(edges[k], edges[k + 1])
        low, high = edges[k] + np.argmin(lowest[part]), edges[k] + np.argmax(highest[part])
        kept[2 * k], kept[2 * k + 1] = min(low, high), max(low, high)
    chosen = values[kept]
    return time_s[kept], np.where(np.isfinite(chosen), chosen, np.nan)


def occurrences(time_s, end_s, codes, code, stretches=STRETCHES):
    """(time, end, codes (rows,), code) => list of (begin_s, length_s) where the code occurs, joined.

    In a long recording a stretch counts as a whole when the code occurs in it at all.
    """
    here = np.asarray(codes) == code
    starts = np.arange(len(here))
    if len(here) > stretches:
        starts = np.linspace(0, len(here), stretches, endpoint=False).astype(np.int64)
        here = np.logical_or.reduceat(here, starts)
    bounds = np.append(time_s[starts], end_s)
    flips = np.flatnonzero(np.diff(np.concatenate(([0], here.astype(np.int8), [0]))))
    return [(float(bounds[a]), float(bounds[b] - bounds[a])) for a, b in flips.reshape(-1, 2)]
