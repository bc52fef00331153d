"""Expectations against a recording: value, limit, verdict."""

import math

from simcore.measure.catalogue import measure_signal
from simcore.measure.errors import MeasureError

_OPTIONS = ("from_s", "to_s", "step_at_s", "band_percent", "order", "fundamental_Hz")
_LIMITS = ("min", "max", "equal", "tolerance")


def judge(recording, expectations):
    """(recording, expectation models or mappings) => list of dicts signal, measure, value, limit, passed, window keys.

    `limit` is an object with the keys min, max, equal, tolerance that were given. Where there is no number, value is
    nan, passed False and `reason` says why.
    """
    return [_judged(recording, one) for one in expectations]


def question(expectation):
    """expectation model or mapping => what it asks: dict signal, measure, limit, window keys; a verdict without its answer."""
    given = {key: _read(expectation, key) for key in ("signal", "measure", *_LIMITS, *_OPTIONS)}
    if given["measure"] != "settling_time_s":
        given["band_percent"] = None
    limit = {key: given[key] for key in _LIMITS if given[key] is not None}
    options = {key: given[key] for key in _OPTIONS if given[key] is not None}
    return {"signal": given["signal"], "measure": given["measure"], "limit": limit, **options}


def _judged(recording, expectation):
    asked = question(expectation)
    options = {key: asked[key] for key in _OPTIONS if key in asked}
    reason = None
    try:
        value = measure_signal(recording, asked["signal"], asked["measure"], **options)
    except MeasureError as error:
        value, reason = math.nan, str(error)
    limit = asked["limit"]
    verdict = {"signal": asked["signal"], "measure": asked["measure"], "value": value, "limit": limit}
    verdict["passed"] = within(value, limit)
    verdict.update(options)
    if reason:
        verdict["reason"] = reason
    return verdict


def _read(expectation, key):
    return expectation.get(key) if isinstance(expectation, dict) else getattr(expectation, key, None)


def within(value, limit):
    """(value, limit) => True where all of min, max, equal +- tolerance hold; never for a value that is not finite."""
    if not math.isfinite(value):
        return False
    held = limit.get("min", -math.inf) <= value <= limit.get("max", math.inf)
    if "equal" in limit:
        held = held and abs(value - limit["equal"]) <= limit.get("tolerance", 0.0)
    return bool(held)
