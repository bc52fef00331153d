"""The scenario language: the only place that checks input. Models, reader, parts, profiles, flux map files."""

import importlib

__all__ = ["Profile", "Scenario", "ScenarioError", "load_scenario", "load_scenarios"]

_HOMES = {
    "Profile": "simcore.scenario.profile",
    "Scenario": "simcore.scenario.models",
    "ScenarioError": "simcore.scenario.errors",
    "load_scenario": "simcore.scenario.reader",
    "load_scenarios": "simcore.scenario.reader",
}


def __getattr__(name):
    if name in _HOMES:
        return getattr(importlib.import_module(_HOMES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
