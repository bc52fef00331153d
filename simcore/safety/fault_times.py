"""When faults act: spans of ticks that begin and end at control updates.

A fault's time is rounded to a tick, as a profile's is; where control runs every second tick it waits for the next update.
"""

import math

import numpy as np


def update_tick(time_s, tick_s, ticks_per_update):
    """(time [s]) => tick of the first update at or after its tick."""
    return -(-round(time_s / tick_s) // ticks_per_update) * ticks_per_update


def spans(fault, tick_s, ticks_per_update, ticks):
    """(fault) => its (first tick, tick of its end) pairs that begin within the run; the end is `ticks` where none is given.

    One that has no duration (encoder_counts_lost) acts at one update.
    """
    begin_s, end_s = fault.span_s
    end_s = min(end_s, (ticks + ticks_per_update) * tick_s)
    if fault.momentary:
        first = update_tick(begin_s, tick_s, ticks_per_update)
        return [(first, first + ticks_per_update)] if first < ticks else []
    on_s, off_s = getattr(fault, "on_s", None), getattr(fault, "off_s", None)
    if on_s is None:
        parts = [(begin_s, end_s)]
    else:
        count = math.ceil((end_s - begin_s) / (on_s + off_s))
        starts = [begin_s + k * (on_s + off_s) for k in range(max(count, 1))]
        parts = [(start, min(start + on_s, end_s)) for start in starts]
    found = [tuple(update_tick(time, tick_s, ticks_per_update) for time in part) for part in parts]
    return [(first, min(last, ticks)) for first, last in found if first < min(last, ticks)]


def active_count(all_spans, ticks):
    """(spans of each fault, array of ticks) => how many faults act at each of them."""
    count = np.zeros(len(ticks))
    for one in all_spans:
        if one:
            first, last = np.array(one).T
            count += np.searchsorted(first, ticks, side="right") - np.searchsorted(last, ticks, side="right")
    return count
