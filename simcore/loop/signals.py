"""What every recording can do with its signals: look up, cut out a time window, become a table, be kept in a file."""

import json
import math
from html import escape
from pathlib import Path
from types import MappingProxyType

import numpy as np

from simcore.loop.monitor_log import TRIPPED_NAMES

HTML_ROWS = ("torque_Nm", "speed_rpm", "id_A", "iq_A", "link_voltage_V", "voltage_margin_V")
FORMAT = 1


class Signals:
    """A mapping of signal name to float64 array (rows,), with time_s, row_s, scenario, audit, timing, findings and scopes."""

    def measure(self, signal, measure, **window):
        """One number from a signal; see simcore.measure.measure_signal."""
        from simcore.measure import measure_signal

        return measure_signal(self, signal, measure, **window)

    def slice(self, from_s=None, to_s=None):
        """The rows in [from_s, to_s) as a StoredRecording; raises ValueError where none lies there."""
        low = -math.inf if from_s is None else from_s
        high = math.inf if to_s is None else to_s
        slack = 1e-9 * self.row_s
        keep = np.flatnonzero((self.time_s >= low - slack) & (self.time_s < high - slack))
        if not len(keep):
            raise ValueError(f"no rows from {from_s} s to {to_s} s; the recording covers 0 s to {self.closing_time_s:g} s.")
        rows = np.s_[keep[0] : keep[-1] + 1]
        last = keep[-1] + 1 == len(self.time_s)
        end = self.closing_time_s if last else float(self.time_s[keep[-1] + 1])
        columns = {name: self[name][rows].copy() for name in self.signals}
        return StoredRecording(self, self.time_s[rows].copy(), columns, end)

    def to_frame(self):
        """The signals as a pandas DataFrame with time_s as index.  Raises ImportError with a remedy where pandas is absent."""
        try:
            import pandas
        except ImportError as error:
            raise ImportError("to_frame needs pandas, which drybench does not install. Run: pip install pandas") from error
        columns = {name: self[name] for name in self.signals}
        return pandas.DataFrame(columns, index=pandas.Index(self.time_s, name="time_s"))

    def save(self, path):
        """Keep signals, scopes, audit and scenario in one .npz file without pickle; simcore.load_recording reads it."""
        path = Path(path)
        about = {
            "format": FORMAT, "row_s": self.row_s, "closing_time_s": self.closing_time_s, "closing": self.closing,
            "audit": self.audit, "timing": self.timing, "findings": list(self.findings), "error": self.error,
            "monitor": self.monitor,
            "scenario": self.resolved_text, "name": self.scenario.name,
        }  # fmt: skip
        named = {"time_s": self.time_s, **{name: self[name] for name in self.signals}}
        for i, scope in enumerate(self.scopes):
            named |= {f"scope_{i + 1}/{key}": values for key, values in scope.items()}
        named["about"] = np.frombuffer(json.dumps(about).encode(), dtype=np.uint8)
        partial = path.with_name(path.name + ".partial")
        try:
            with open(partial, "wb") as file:
                np.savez(file, allow_pickle=False, **named)
            partial.replace(path)
        finally:
            partial.unlink(missing_ok=True)
        return path

    def __contains__(self, name):
        return name == "time_s" or name in self.signals

    def __len__(self):
        return len(self.time_s)

    def __iter__(self):
        return iter(("time_s", *self.signals))

    def __repr__(self):
        kind = type(self).__name__
        return f"<{kind} {self.scenario.name}: {self.closing_time_s:g} s, {len(self)} rows, {len(self.signals)} signals>"

    def _repr_html_(self):
        """A short table for notebooks: least, mean and greatest of the main signals."""
        lines = []
        for name in HTML_ROWS:
            values = self[name][np.isfinite(self[name])] if name in self.signals else ()
            if len(values):
                cells = "".join(f"<td>{value:.5g}</td>" for value in (np.min(values), np.mean(values), np.max(values)))
                lines.append(f"<tr><td>{name}</td>{cells}</tr>")
        title = escape(self.scenario.title or self.scenario.name)
        residual = self.audit.get("residual_relative", math.nan)
        head = "<tr><th></th><th>min</th><th>mean</th><th>max</th></tr>"
        return (
            f"<b>{title}</b>: {self.closing_time_s:g} s, {len(self)} rows, {len(self.signals)} signals; "
            f"audit residual {residual:.2g}<table>{head}{''.join(lines)}</table>"
        )


class StoredRecording(Signals):
    """A recording, or a part of one, whose signals are all there as arrays."""

    def __init__(self, like, time_s, columns, closing_time_s):
        self.scenario, self.row_s, self.audit, self.timing = like.scenario, like.row_s, like.audit, like.timing
        self.closing, self.findings, self.scopes, self.error = like.closing, like.findings, like.scopes, like.error
        self.binding_names, self.state_names = like.binding_names, like.state_names
        self.tripped_names, self.monitor = TRIPPED_NAMES, getattr(like, "monitor", None)
        self.resolved_text = like.resolved_text
        self.time_s, self.closing_time_s = time_s, closing_time_s
        self._columns = columns

    @property
    def signals(self):
        """Names of all signals."""
        return tuple(self._columns)

    def __getitem__(self, name):
        if name == "time_s":
            return self.time_s
        if name not in self._columns:
            from simcore.scenario.errors import did_you_mean

            raise KeyError(f'no signal "{name}". {did_you_mean(name, self.signals)}'.strip())
        return self._columns[name]


class _Kept:
    """What a file holds besides the signals, under the names that StoredRecording copies."""

    def __init__(self, about, scopes):
        import tomllib

        from controllers.contract import BINDING_LIMITS
        from simcore.loop.monitor_log import STATE_NAMES
        from simcore.scenario.reader import scenario_from

        self.resolved_text = about["scenario"]
        self.scenario = scenario_from(tomllib.loads(about["scenario"]), path=about["name"] + ".toml")
        self.row_s, self.audit, self.timing, self.closing = (about[k] for k in ("row_s", "audit", "timing", "closing"))
        self.findings, self.error, self.scopes = tuple(about["findings"]), about["error"], scopes
        self.binding_names, self.state_names = BINDING_LIMITS, STATE_NAMES
        self.monitor = about.get("monitor")


def load_recording(path):
    """(file that `save` wrote) => StoredRecording.  Raises ValueError for any other file, OSError where it cannot be read."""
    wrong = f"{path}: not a recording kept by drybench. Give a file that recording.save wrote."
    try:
        with np.load(path, allow_pickle=False) as kept:
            arrays = {name: kept[name] for name in kept.files}
        about = json.loads(bytes(arrays.pop("about")))
    except OSError:
        raise
    except Exception as error:
        raise ValueError(wrong) from error
    if not isinstance(about, dict) or about.get("format") != FORMAT or "time_s" not in arrays:
        raise ValueError(wrong)
    scopes = {}
    for name in [name for name in arrays if "/" in name]:
        scope, _, key = name.partition("/")
        scopes.setdefault(scope, {})[key] = arrays.pop(name)
    kept_scopes = tuple(MappingProxyType(scopes[key]) for key in sorted(scopes, key=lambda k: int(k.split("_")[1])))
    time_s = arrays.pop("time_s")
    return StoredRecording(_Kept(about, kept_scopes), time_s, arrays, about["closing_time_s"])
