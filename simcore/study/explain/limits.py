"""Which limit bound, from when to when, at what speed and torque, and by how many volts."""

from dataclasses import dataclass

import numpy as np

from simcore.measure.limits import code_names, limits_reported
from simcore.measure.windows import end_s
from simcore.report.wording import number

_JOINED_ROWS = 20  # a limit that lets go for a moment only is one span
_FREE, _RAMP = 0, "ramp_down"
_HOT = ("temperature", "derating", "thermal", "heat")


@dataclass(frozen=True)
class LimitSpan:
    """A limit from one instant to another, and what was there: means, and the least voltage margin [V] (nan: none told)."""

    name: str
    from_s: float
    to_s: float
    speed_rpm: float
    torque_Nm: float
    asked_Nm: float
    id_A: float
    link_V: float
    margin_V: float
    least_margin_V: float
    winding_degC: float = float("nan")
    junction_degC: float = float("nan")

    @property
    def length_s(self):
        return self.to_s - self.from_s


def limit_spans(recording):
    """recording => LimitSpans in the order of time; none where the controller reports no limits."""
    if not limits_reported(recording) or len(recording.time_s) == 0:
        return []
    codes = np.nan_to_num(np.asarray(recording["binding_limit"], dtype=np.float64)).astype(int)
    names = code_names(recording, "binding_limit")
    edges = np.append(recording.time_s, end_s(recording))
    spans = []
    for code in np.unique(codes[codes != _FREE]):
        for first, stop in _runs(codes == code):
            spans.append(_span(recording, names.get(int(code), f"code_{code}"), first, stop, edges))
    return sorted(spans, key=lambda span: span.from_s)


def _runs(here):
    """Rows that hold, joined over short gaps: (first, stop) pairs."""
    flips = np.flatnonzero(np.diff(np.concatenate(([0], here.astype(np.int8), [0])))).reshape(-1, 2)
    joined = []
    for first, stop in flips.tolist():
        if joined and first - joined[-1][1] <= _JOINED_ROWS:
            joined[-1][1] = stop
        else:
            joined.append([first, stop])
    return joined


def _span(recording, name, first, stop, edges):
    def of(signal):
        if signal not in recording.signals:
            return np.empty(0)
        values = np.asarray(recording[signal][first:stop], dtype=np.float64)
        return values[np.isfinite(values)]

    def mean(signal):
        values = of(signal)
        return float(np.mean(values)) if len(values) else float("nan")

    margin = of("voltage_margin_V")
    return LimitSpan(
        name=name,
        from_s=float(edges[first]),
        to_s=float(edges[stop]),
        speed_rpm=mean("speed_rpm"),
        torque_Nm=mean("torque_Nm"),
        asked_Nm=mean("torque_reference_Nm"),
        id_A=mean("id_A"),
        link_V=mean("link_voltage_V"),
        margin_V=float(np.mean(margin)) if len(margin) else float("nan"),
        least_margin_V=float(np.min(margin)) if len(margin) else float("nan"),
        winding_degC=mean("winding_degC"),
        junction_degC=mean("junction_degC"),
    )


def reason(span, scenario):
    """(LimitSpan, scenario) => why, in words and numbers."""
    torque = _torque_words(span)
    volts = f"{number(span.link_V, 'V', 4)} on the link"
    most = number(scenario.machine.max_current_A, "A", 4)
    told = {
        "current": f"more current was asked for than machine.max_current_A = {most} allows; {torque}",
        "voltage": f"at {_speed(span)} and {volts} id was taken to {number(span.id_A, 'A', 3)} to weaken the flux; {torque}",
        "voltage_and_current": f"at {_speed(span)} and {volts} there were neither more volts nor more than {most}; {torque}",
        "mtpv": f"at {_speed(span)} and {volts} no other current makes more torque out of the voltage; {torque}",
        "modulator": f"the current loop asked for more than the modulator gives without distortion at {volts}; {torque}",
        "torque_slew": f"the torque's rate was held to tuning.torque_slew_Nm_per_s; {torque}",
        "speed": f"the speed asked for lies beyond machine.max_speed_rpm = {scenario.machine.max_speed_rpm:g}; {torque}",
        "link_voltage": f"braking was held to what the link can take, {volts}; {torque}",
        _RAMP: f"the drive was told to come down to rest; {torque}",
    }
    if span.name in told:
        return told[span.name]
    # A controller may tell of others: what is hot is said with those that speak of heat.
    return f"{_heat_words(span)}; {torque}" if any(word in span.name for word in _HOT) else torque


def _heat_words(span):
    told = [(span.winding_degC, "winding"), (span.junction_degC, "junction")]
    parts = [f"{name} at {number(value, 'degC', 3)}" for value, name in told if np.isfinite(value)]
    return "less current was allowed because of heat" + (f", {' and '.join(parts)}" if parts else "")


def _speed(span):
    return number(span.speed_rpm, "rpm", 4)


def _torque_words(span):
    made = f"torque {number(span.torque_Nm, 'Nm', 4)}"
    apart, size = abs(span.asked_Nm - span.torque_Nm), max(abs(span.asked_Nm), abs(span.torque_Nm))
    if np.isfinite(span.asked_Nm) and apart > 0.005 * size:
        made += f" of {number(span.asked_Nm, 'Nm', 4)} asked"
    return made


def margin_words(span):
    """LimitSpan => the voltage margin in words, "" where none was told."""
    if not np.isfinite(span.least_margin_V):
        return ""
    return f"voltage margin {number(span.margin_V, 'V', 3)} in the mean, {number(span.least_margin_V, 'V', 3)} at least"
