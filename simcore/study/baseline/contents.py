"""What a baseline keeps of a run: measures by name, and the course of some signals in stretches."""

import math
from dataclasses import dataclass, field

import numpy as np

from simcore.measure import binding_shares, judge
from simcore.measure.summary import finite
from simcore.measure.windows import end_s
from simcore.report.wording import measure_text, unit_of, verdict_unit, window_text

_KEPT_DIGITS = 9  # of the scale: far finer than any tolerance, coarser than what two processors differ by


@dataclass(frozen=True)
class Number:
    """A measure: value (nan where there is none), its unit, and the scale that a relative tolerance counts from."""

    value: float
    unit: str
    scale: float

    @property
    def kept(self):
        """The value as it is written, None where there is none."""
        return kept(self.value, self.scale)


@dataclass(frozen=True)
class Course:
    """Stretches of the run: their begins and the end [s], and a signal's least and greatest value in each (n, 2)."""

    edges_s: np.ndarray
    signals: dict = field(default_factory=dict)

    def scale(self, signal):
        """Largest absolute value of a signal, 0 where it has none."""
        values = self.signals[signal]
        values = values[np.isfinite(values)]
        return float(np.max(np.abs(values))) if len(values) else 0.0


def kept(value, scale):
    """(value, scale) => the value to nine digits of its scale; None for what is not finite."""
    if not math.isfinite(value):
        return None
    if not scale > 0.0:
        return 0.0 if value == 0.0 else float(f"{value:.{_KEPT_DIGITS}g}")
    decimals = _KEPT_DIGITS - 1 - math.floor(math.log10(scale))
    return round(value, decimals) + 0.0


def numbers(recording):
    """recording => {name: Number}: expectations' measures, mean and extremes of the kept signals, energies, limits."""
    scenario = recording.scenario
    found = {}
    for verdict in judge(recording, scenario.expect):
        name = f"{measure_text(verdict)}, {window_text(verdict)}"
        found.setdefault(name, Number(verdict["value"], verdict_unit(verdict), _scale(recording, verdict)))
    for signal in _kept_signals(recording):
        values = finite(recording, signal)
        scale = float(np.max(np.abs(values)))
        for measure, value in (("mean", np.mean(values)), ("min", np.min(values)), ("max", np.max(values))):
            found.setdefault(f"{measure} of {signal}, whole run", Number(float(value), unit_of(signal), scale))
    audit = recording.audit
    energies = {"energy in": audit["energy_in_J"], "energy out": audit["energy_out_J"]}
    energies |= {f"energy lost, {name.replace('_', ' ')}": joule for name, joule in audit["losses_J"].items()}
    largest = max(abs(joule) for joule in energies.values())
    found |= {name: Number(float(joule), "J", largest) for name, joule in energies.items()}
    shares = binding_shares(recording)
    return found | {f"share of time at limit {name}": Number(share, "", 1.0) for name, share in shares.items()}


def _kept_signals(recording):
    return [name for name in recording.scenario.baseline.signals if len(finite(recording, name))]


def _scale(recording, verdict):
    """What a millionth of a measure is a millionth of: of the signal where the value itself may be near zero."""
    value = abs(verdict["value"]) if math.isfinite(verdict["value"]) else 0.0
    if verdict["measure"].endswith("_s"):
        return max(value, recording.row_s)
    if verdict["measure"].endswith("_percent"):
        return max(value, 1.0)
    values = finite(recording, verdict["signal"])
    largest = float(np.max(np.abs(values))) if len(values) else 0.0
    if verdict["measure"] == "integral":
        largest *= end_s(recording) - float(recording.time_s[0])
    return max(value, largest)


def course(recording):
    """recording => Course: least and greatest value of each kept signal in equal stretches, so that no spike is lost."""
    settings = recording.scenario.baseline
    rows = len(recording.time_s)
    count = min(settings.stretches, rows)
    edges = np.linspace(0, rows, count + 1).astype(np.int64)
    signals = {name: _extremes(np.asarray(recording[name], dtype=np.float64), edges) for name in _kept_signals(recording)}
    return Course(np.append(recording.time_s, end_s(recording))[edges], signals)


def _extremes(values, edges):
    least = np.minimum.reduceat(np.where(np.isfinite(values), values, np.inf), edges[:-1])
    greatest = np.maximum.reduceat(np.where(np.isfinite(values), values, -np.inf), edges[:-1])
    pairs = np.column_stack((least, greatest))
    return np.where(np.isfinite(pairs), pairs, np.nan)


def inputs(scenario):
    """scenario => {dotted key: value} of all that shapes the run; paths as seen from the scenario's folder."""
    document = {k: v for k, v in scenario.resolved.items() if k not in ("title", "expect", "baseline", "scope")}
    found = {}
    _flatten(document, (), found, scenario.path.parent)
    return dict(sorted(found.items()))


def _flatten(value, at, found, folder):
    if isinstance(value, dict):
        for key, inner in value.items():
            _flatten(inner, (*at, key), found, folder)
    elif at[-1] != "name":
        found[".".join(at)] = _portable(value, folder) if at[-1] in ("class", "file") else value


def _portable(text, folder):
    """An absolute path as written by someone whose folders are elsewhere: relative below the scenario, else its name."""
    for start in (f"{folder}/", f"{folder.resolve()}/"):
        if text.startswith(start):
            return text.removeprefix(start)
    return text.rsplit("/", 1)[-1] if text.startswith("/") else text
