"""A run as the contents of metrics.json."""

import math
from importlib.metadata import PackageNotFoundError, version
from numbers import Integral, Real

import numpy as np

from simcore.measure.summary import summarise


def metrics(recording, expectations, more=None):
    """(recording, verdicts, further entries) => dict for metrics.json: plain Python values, None for what is not finite."""
    error = getattr(recording, "error", None)
    if error:
        status = "error"
    else:
        status = "ok" if all(verdict["passed"] for verdict in expectations) else "failed"
    content = {
        "drybench": drybench_version(),
        "scenario": scenario_name(recording),
        "title": str(getattr(getattr(recording, "scenario", None), "title", "") or ""),
        "status": status,
        "expectations": expectations,
        "audit": dict(recording.audit),
        "summary": summarise(recording),
        "timing": dict(getattr(recording, "timing", None) or {}),
        "findings": list(getattr(recording, "findings", None) or ()),
    }
    if error:
        content["error"] = str(error)
    return plain(content | (more or {}))


def scenario_name(recording):
    """recording => the scenario's name (its file's stem)."""
    return str(getattr(getattr(recording, "scenario", None), "name", "scenario"))


def drybench_version():
    """=> version of the installed distribution, else of the source."""
    try:
        return version("drybench")
    except PackageNotFoundError:
        from simcore import __version__

        return __version__


def plain(value):
    """Any nest of mappings, sequences and numbers => the same of JSON's types; nan and infinity become None."""
    if isinstance(value, dict):
        return {str(key): plain(part) for key, part in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [plain(part) for part in value]
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, Real):
        return float(value) if math.isfinite(value) else None
    return str(value)
