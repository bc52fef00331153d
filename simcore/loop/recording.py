"""The recording of a run: few primary channels from the loop, every other signal derived when it is asked for."""

from functools import cached_property
from types import MappingProxyType

import numpy as np

from controllers.contract import BINDING_LIMITS
from simcore.loop.derive import DERIVED
from simcore.loop.monitor_log import STATE_NAMES, TRIPPED_NAMES
from simcore.loop.records import POWER_CHANNELS, ROW_CHANNELS, SCOPE_CHANNELS
from simcore.loop.signals import Signals

_PLACES = {name: place for place, name in enumerate(ROW_CHANNELS)}
_PLACES |= {name: len(ROW_CHANNELS) + place for place, name in enumerate(POWER_CHANNELS) if name not in _PLACES}


class Recording(Signals):
    """Signals over time of one run, by name: recording["torque_Nm"] is a float64 array of shape (rows,).

    Row k holds the state at tick k x record_every and means from this row to the next of every v*_V, power_*, loss_*,
    link_current_A and supply_current_A.  Units stand in the names.  Raises KeyError for an unknown signal.
    """

    def __init__(self, scenario, params, table, rows, extras, extra_names, ticks, closing, audit, scopes, findings):
        self.scenario = scenario
        self.params = params
        self.map_table = table
        self.ticks = ticks
        self.closing = closing
        self.audit = audit
        self.findings = findings
        self.error = None
        self.faults = None  # schedule of the run's faults
        self.timing = {}
        self.binding_names = BINDING_LIMITS
        self.state_names = STATE_NAMES
        self.tripped_names = TRIPPED_NAMES
        self.monitor, self.monitor_events = None, ()
        self._rows = rows
        self._extras = extras
        self._extra_names = tuple(extra_names)
        self._scope_samples = scopes
        self._derived = {}

    @property
    def row_s(self):
        """Time between rows [s]."""
        return self.scenario.record_every * self.scenario.tick_s

    @property
    def closing_time_s(self):
        """Time of the closing state [s]."""
        return self.ticks * self.scenario.tick_s

    @cached_property
    def time_s(self):
        """Time of each row [s], tick x tick_s."""
        return np.arange(len(self._rows)) * self.scenario.record_every * self.scenario.tick_s

    @cached_property
    def row_length_s(self):
        """Duration that each row's means cover [s]; the last row may be shorter."""
        ticks = np.full(len(self._rows), self.scenario.record_every, dtype=np.int64)
        if len(ticks):
            ticks[-1] = self.ticks - (len(ticks) - 1) * self.scenario.record_every
        return ticks * self.scenario.tick_s

    @property
    def signals(self):
        """Names of all signals; the controller's own carry the prefix controller_."""
        return (*DERIVED, *(f"controller_{name}" for name in self._extra_names))

    def parameter(self, *place):
        """Parameter of the bench by its place in loop/records.py: a number, or one a row where a fault changes it."""
        if self.faults is None:
            value = self.params[0]
            for key in place:
                value = value[key]
            return value
        ticks = np.arange(len(self._rows)) * self.scenario.record_every
        return self.faults.course(("params", *place), ticks)

    def channel(self, name):
        """Primary channel of the loop by its name in loop/records.py, array (rows,)."""
        return self._rows[:, _PLACES[name]]

    def has_channel(self, name):
        """True where this recording kept the primary channel."""
        return _PLACES[name] < self._rows.shape[1]

    @property
    def has_power(self):
        """True where the run reckoned with its power stage tick by tick."""
        return self._rows.shape[1] > len(ROW_CHANNELS)

    def __getitem__(self, name):
        if name == "time_s":
            return self.time_s
        if name not in self._derived:
            if name in DERIVED:
                self._derived[name] = np.ascontiguousarray(DERIVED[name](self), dtype=np.float64)
            elif name.startswith("controller_") and name[11:] in self._extra_names:
                self._derived[name] = np.ascontiguousarray(self._extras[:, self._extra_names.index(name[11:])])
            else:
                from simcore.scenario.errors import did_you_mean

                raise KeyError(f'no signal "{name}". {did_you_mean(name, self.signals)}'.strip())
        return self._derived[name]

    def forget(self, name):
        """Drop a derived array again, to keep memory small while writing long recordings."""
        self._derived.pop(name, None)

    @cached_property
    def scopes(self):
        """Waveforms inside the periods: a mapping of name to array for each [[scope]], instantaneous values."""
        found = []
        for first, count in self._scope_samples[1]:
            part = self._scope_samples[0][first : first + count]
            part = part[np.isfinite(part[:, 0])]
            columns = {name: np.ascontiguousarray(part[:, i]) for i, name in enumerate(SCOPE_CHANNELS)}
            columns["angle_deg"] = np.mod(columns["angle_deg"], 360.0)
            found.append(MappingProxyType(columns))
        return tuple(found)

    @property
    def resolved_text(self):
        """The merged input as TOML."""
        from simcore.scenario.toml_text import write_toml

        return write_toml(self.scenario.resolved)
