"""For tests of one's own controllers: does it keep the contract?"""

from importlib import import_module

_HOMES = {
    "check_controller": "simcore.testing.conformance",
    "Conformance": "simcore.testing.conformance",
    "ConformanceError": "simcore.testing.conformance",
}
__all__ = ["Conformance", "ConformanceError", "check_controller"]


def __getattr__(name):
    """Loaded on first use: the pytest plugin imports this room in every test run."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'simcore.testing' has no attribute {name!r}")
