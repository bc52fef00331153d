"""Places in a run's records, and what faults make of the value there.

A place is ("params" or "states", field, ..., index); where its last part is a pair of fields it stands for one complex number.
Several faults at one place are laid over the healthy value in the order of the scenario, so that any of them may end first.
"""

from typing import Any, NamedTuple


class Change(NamedTuple):
    """What a fault does to a place while it acts: how is "set", "add" or "times".

    value may be a function of the tick at which the fault began.  healthy: the value without faults; by default what stands
    there before the run.
    """

    place: tuple
    how: str
    value: Any
    healthy: Any = None


class Write(NamedTuple):
    """One value into one place: how is "set", "add", "times" or "copy" (value is the place that it comes from)."""

    place: tuple
    how: str
    value: Any


def _row(records, place):
    """(records by name, place) => the innermost record or array, and the key in it."""
    here = records[place[0]][0]
    for key in place[1:-1]:
        here = here[key]
    return here, place[-1]


def read(records, place):
    """(records by name, place) => the value there as a plain number, a complex one for a pair of fields."""
    here, key = _row(records, place)
    if isinstance(key, tuple):
        return complex(float(here[key[0]]), float(here[key[1]]))
    value = here[key]
    return value.copy() if getattr(value, "ndim", 0) else value.item()


def write(records, order):
    """(records by name, Write) => the value written."""
    here, key = _row(records, order.place)
    value = read(records, order.value) if order.how == "copy" else order.value
    if order.how == "add":
        value = read(records, order.place) + value
    elif order.how == "times":
        value = read(records, order.place) * value
    if isinstance(key, tuple):
        here[key[0]], here[key[1]] = value.real, value.imag
    else:
        here[key] = value


def compose(healthy, acting):
    """(healthy value, [how, value] of each fault that acts, in order) => the value with all of them; what is set wins."""
    value = healthy
    for how, more in acting:
        value = value + more if how == "add" else value * more if how == "times" else value
    fixed = [more for how, more in acting if how == "set"]
    return fixed[-1] if fixed else value
