"""One member of an ensemble, or the only one of a bench: its arrays, made ready, stepped in chunks, closed to a recording."""

import math
import time

import numpy as np

from controllers.contract import MEASURED, blank_command
from simcore.loop.audit import close_audit, compare_map_energy, stored_energy
from simcore.loop.errors import controller_sentence, status_sentence, where
from simcore.loop.faults import RunFaults
from simcore.loop.monitor_log import events, monitor_log
from simcore.loop.power_findings import diode_findings, power_findings
from simcore.loop.power_rows import power_sums
from simcore.loop.recording import Recording
from simcore.loop.records import (
    JUNCTIONS_AT,
    MOST_JUNCTION_ROWS,
    OK,
    POWER_AT,
    POWER_CHANNELS,
    POWER_SUMS_AT,
    ROW_CHANNELS,
    SUM_CHANNELS,
    SUMS_AT,
)
from simcore.loop.setup import build_parameters, build_state
from simcore.loop.thermal_steady import begin_warm

CHUNK_S = 0.1


class Member:
    """(scenario, controller after its reset, names of its own signals, perf_counter() before it) => a run at tick 0.

    start: thermal fields to begin with instead of the scenario's (loop/thermal_steady.py).

    Records are arrays of length 1, so that every member runs as number 0 of its own: its noise depends on its scenario's seed
    alone, and a scenario gives the same bits on a bench and in any ensemble.  Stack them (params, states, ...) for a device
    that runs all members at once.
    """

    def __init__(self, scenario, controller, names, begun, start=None):
        self._begun = begun
        self.scenario, self.controller, self.names = scenario, controller, names
        self.params, self.table, self.points, self.scopes, self.samples = build_parameters(scenario)
        self.states = build_state(scenario, self.params, self.table)
        self._told = []
        if start is not None:
            begin_warm(self.params, self.states, start)
            self._told = [start["told"]] if start.get("told") else []
        self._before = stored_energy(scenario, self.params, self.states[0]["plant"])
        self._healthy = self.params.copy() if scenario.fault else self.params
        self.faults = RunFaults(scenario, self.params, self.states)
        ticks, every = scenario.ticks, scenario.record_every
        count = (ticks + every - 1) // every
        width = len(ROW_CHANNELS)
        if self.params[0]["power"]["active"]:
            width += len(POWER_CHANNELS)
            if count > MOST_JUNCTION_ROWS:
                width = JUNCTIONS_AT
                self._told.append(
                    f"In {count} rows single junctions are not recorded, to save memory; junction_degC, the hottest, is. "
                    "Raise run.record_every for them."
                )
        self.rows = np.empty((count, width))
        self.extras = np.zeros((len(self.rows), len(names)))
        self.measured, self.commands = np.zeros(1, MEASURED), blank_command()
        self.wall_s = 0.0
        self._fault_J = 0.0
        self.problem = None  # sentence of an exception out of the controller's compiled step

    @property
    def common(self):
        """The arrays that every shell of the loop takes, in the order of loop/run.py."""
        return (self.params, self.states, self.measured, self.commands, self.table, self.points, self.scopes, self.samples,
                self.rows, self.extras)  # fmt: skip

    @property
    def share(self):
        """Part of the run that is done, 0 to 1."""
        return float(self.states["tick"][0]) / self.scenario.ticks

    @property
    def done_s(self):
        """Simulated time so far [s]."""
        return float(self.states["tick"][0]) * self.scenario.tick_s

    def run_compiled(self, step, after_chunk=None, until=None):
        """(CompiledStep) => the run to its end (or to the tick `until`) or a failure; after_chunk() is called about every 0.1
        simulated seconds."""
        from simcore.loop.run import compiled_run

        run, common, state = compiled_run(), self.common, self.states
        ticks = self.scenario.ticks
        last = ticks if until is None else min(until, ticks)
        chunk = max(2, 2 * round(0.5 * CHUNK_S / self.scenario.tick_s))
        own = (step.function, step.parameters, step.state, step.tables)
        # An empty call first: the conversion of arguments that are new to the run is no part of stepping.
        run(*common, 0, ticks, 0, *own)
        while state["tick"][0] < last and state["status"][0] == OK:
            tick = int(state["tick"][0])
            self.apply_faults(tick)
            pause = min(last, tick + chunk, self.faults.next_tick)
            begun = time.perf_counter()
            try:
                run(*common, pause, ticks, 0, *own)
            except Exception as error:
                place = f" at {where(self.scenario, int(state['tick'][0]))}"
                self.problem = controller_sentence(self.controller, "update", error, place, inside=False)
                return
            self.wall_s += time.perf_counter() - begun
            if after_chunk is not None:
                after_chunk()

    @property
    def frozen(self):
        """True while a fault keeps the controller from running."""
        return bool(self.params[0]["clock"]["frozen"])

    def apply_faults(self, tick):
        """Write what is due at this tick; energy that it puts in or takes out is kept for the audit."""
        if tick < self.faults.next_tick:
            return
        before = stored_energy(self.scenario, self.params, self.states[0]["plant"])
        self.faults.apply(tick)
        after = stored_energy(self.scenario, self.params, self.states[0]["plant"])
        for name, joule in after.items():
            if joule is not None:
                self._before[name] += joule - before[name]
                self._fault_J += joule - before[name]

    def close(self, problem=None):
        """(sentence of a failure outside the kernels, or None) => Recording up to the tick reached; its `error` is the sentence
        of what ended the run early, None where nothing did."""
        scenario, state, every = self.scenario, self.states[0], self.scenario.record_every
        problem = problem or self.problem
        if problem is None and state["status"] != OK:
            problem = status_sentence(scenario, self.controller, state)
        done = int(state["tick"])
        audit = close_audit(scenario, self.params, self._before, state, self._fault_J)
        findings = self._findings(state)
        if scenario.machine.kind == "flux_map" and done and not self.faults.change_machine:
            findings += compare_map_energy(scenario, self.params, self.table, self.rows[0], state["plant"], audit)
        kept = (done + every - 1) // every
        if done % every:
            # A run that broke off inside a row left its sums behind.
            self.rows[kept - 1, SUMS_AT:POWER_AT] = [state["row"][name] for name in SUM_CHANNELS]
            if self.rows.shape[1] > POWER_AT:
                self.rows[kept - 1, POWER_SUMS_AT:JUNCTIONS_AT] = power_sums(state["power"])
        scopes = [(int(s["first"]), int(s["count"])) for s in self.scopes[: len(scenario.scope)]]
        recording = Recording(
            scenario, self._healthy, self.table, self.rows[:kept], self.extras[:kept], self.names, done,
            _closing(scenario, state), audit, (self.samples, scopes), findings,
        )  # fmt: skip
        recording.monitor = monitor_log(scenario, self.params, state)
        recording.monitor_events = events(state["monitor"])
        simulated = done * scenario.tick_s
        recording.timing = {
            "simulated_s": simulated,
            "wall_s": self.wall_s,
            "total_s": time.perf_counter() - self._begun,
            "real_time_factor": simulated / self.wall_s if self.wall_s > 0.0 else math.nan,
        }
        recording.error = problem
        recording.faults = self.faults.schedule
        return recording

    def _findings(self, state):
        findings = [*self.scenario.findings, *self._told]
        if state["map_tick"] >= 0:
            at_s = state["map_tick"] * self.scenario.tick_s
            findings.append(
                f"The current left the flux map at tick {state['map_tick']} ({at_s:.6g} s), by at most "
                f"{100.0 * state['map_distance']:.2g} % of the map's range; the map continues linearly there."
            )
        findings += [*diode_findings(state["legs"]), *power_findings(self.scenario, state["power"])]
        return (*findings, *self.faults.told(int(state["tick"])))


def _closing(scenario, state):
    """The state after the last tick, for metrics.json."""
    plant = state["plant"]
    return {
        "time_s": float(state["tick"] * scenario.tick_s),
        "psi_d_Wb": float(plant["psi_d"]),
        "psi_q_Wb": float(plant["psi_q"]),
        "speed_rpm": float(plant["omega"] * 30.0 / math.pi),
        "angle_deg": float(math.degrees(plant["theta"])),
        "link_voltage_V": float(plant["link_V"]),
        "supply_inductance_current_A": float(plant["supply_A"]),
    }
