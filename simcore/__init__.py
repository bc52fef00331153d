"""drybench: a three-phase drive and its controller closed into one loop, at PWM rate, driven by scenario files."""

from importlib import import_module

__version__ = "0.1.0"

_HOMES = {
    "load_scenario": "simcore.scenario",
    "load_scenarios": "simcore.scenario",
    "Scenario": "simcore.scenario",
    "ScenarioError": "simcore.scenario",
    "Profile": "simcore.scenario",
    "Bench": "simcore.loop",
    "Recording": "simcore.loop",
    "RunError": "simcore.loop",
    "load_recording": "simcore.loop",
    "run_ensemble": "simcore.loop",
    "iterate_ensemble": "simcore.loop",
    "MemberResult": "simcore.loop",
    "run_sweep": "simcore.study.sweep.grid",
    "run_map": "simcore.study.efficiency_map.study",
    "run_tolerance": "simcore.study.tolerance.study",
    "measure_signal": "simcore.measure",
    "judge": "simcore.measure",
    "write_results": "simcore.report",
    "draw_overview": "simcore.report",
    "self_test": "simcore.study.selftest",
    "drive_cycle": "simcore.study.cycle.trips",
    "loop_response": "simcore.study.response.tuned",
}
__all__ = [*_HOMES, "__version__"]


def __getattr__(name):
    """Public names load their room on first use, so that `drybench --help` stays quick."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'simcore' has no attribute {name!r}")


def __dir__():
    return sorted(__all__)
