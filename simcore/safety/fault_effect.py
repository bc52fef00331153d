"""What a fault is made of: changes of places while it acts, and writes at its onset.  Helpers of the effects."""

from typing import NamedTuple

from simcore.safety.fault_places import Change


class Effect(NamedTuple):
    """changes: what holds while the fault acts.  at_onset: writes each time it begins."""

    changes: tuple = ()
    at_onset: tuple = ()


class Bench(NamedTuple):
    """What an effect may look at: the scenario, healthy records by name, names of the profiles, the magnets' flux linkage."""

    scenario: object
    records: dict
    profiles: tuple
    magnets_Wb: float

    @property
    def p(self):
        """Healthy parameters."""
        return self.records["params"][0]


def param(*place_how_value):
    """(fields of the place ..., how, value) => Change of a parameter."""
    *place, how, value = place_how_value
    return Change(("params", *place), how, value)


def fixed(*place_value):
    """(fields of the place ..., value) => Change that sets a parameter."""
    *place, value = place_value
    return Change(("params", *place), "set", value)
