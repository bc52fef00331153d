"""What a person reads of a run: terminal tables, the overview picture, the result files.

Names load on first use: printing tables does not wait for the plotting library.
"""

from importlib import import_module

_HOMES = {
    "draw_overview": "simcore.report.overview",
    "print_report": "simcore.report.tables",
    "write_results": "simcore.report.files",
}
__all__ = ["draw_overview", "print_report", "write_results"]


def __getattr__(name):
    """Load the module a public name lives in."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'simcore.report' has no attribute {name!r}")
