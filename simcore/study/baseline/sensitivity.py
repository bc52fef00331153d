"""How far a scenario's numbers move when only last digits change, as another processor's sines and logarithms would.

A converter's bit that falls the other way moves a run far more than rounding does; what such a run repeats is found by trying.
"""

import copy
import math

import numpy as np

from simcore.scenario import ScenarioError
from simcore.scenario.reader import scenario_from
from simcore.study.baseline.contents import course, numbers

_KEYS = (("machine", "stator_resistance_ohm"), ("machine", "magnet_flux_Wb"), ("supply", "voltage_V"))
_LAST_DIGITS = (3, -5)
_ALLOWANCE = 5.0  # two trials do not find the farthest


def found_moves(scenario, found, kept_course, run):
    """(scenario, its numbers and course, function that runs a scenario) => {name: move}, {signal: move}: five times the
    farthest of two runs whose resistance, flux and link voltage differ in the last digits."""
    measures, courses = dict.fromkeys(found, 0.0), dict.fromkeys(kept_course.signals, 0.0)
    for digits in _LAST_DIGITS:
        other = _disturbed(scenario, digits)
        if other is None:
            return measures, courses
        recording = run(other)
        again = numbers(recording)
        for name in found.keys() & again.keys():
            measures[name] = max(measures[name], _ALLOWANCE * _difference(found[name].value, again[name].value))
        moved = course(recording)
        for signal, values in kept_course.signals.items():
            if signal in moved.signals and values.shape == moved.signals[signal].shape:
                difference = np.abs(values - moved.signals[signal])
                courses[signal] = max(courses[signal], _ALLOWANCE * float(np.nanmax(difference, initial=0.0)))
    return measures, courses


def _difference(one, other):
    return abs(one - other) if math.isfinite(one) and math.isfinite(other) else 0.0


def _disturbed(scenario, digits):
    """The scenario with some values a few last digits off, None where it has no such values."""
    document, changed = copy.deepcopy(scenario.resolved), False
    for table, key in _KEYS:
        value = document.get(table, {}).get(key)
        if isinstance(value, (int, float)) and not isinstance(value, bool) and value:
            document[table][key] = float(value) * (1.0 + digits * np.finfo(float).eps)
            changed = True
    try:
        return scenario_from(document, path=scenario.path) if changed else None
    except ScenarioError:
        return None
