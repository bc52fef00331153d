"""The bench: one scenario, its controller, and the run."""

import math
import time

import numpy as np

from controllers.contract import COMMAND, EXTRA_SIGNALS, MEASURED, Setup, TuningError
from simcore.loop.audit import close_audit, compare_map_energy, stored_energy
from simcore.loop.errors import RunError, controller_sentence, status_sentence
from simcore.loop.loading import load_controller
from simcore.loop.python_shell import run_python
from simcore.loop.recording import Recording
from simcore.loop.records import OK, ROW_CHANNELS, SUM_CHANNELS, SUMS_AT
from simcore.loop.setup import build_parameters, build_state
from simcore.scenario import ScenarioError

CHUNK_S = 0.1


class Bench:
    """A drive on the bench: Bench(scenario).run() gives a Recording.

    scenario: simcore.Scenario.  controller: an instance to use instead of the scenario's class.  Raises ScenarioError when the
    controller cannot be loaded or refuses its tuning.
    """

    def __init__(self, scenario, controller=None):
        self.scenario = scenario
        self.controller = controller if controller is not None else load_controller(scenario)

    def load_kernels(self):
        """Loads the machine code that the run needs, or compiles it (only once after an installation or an upgrade)."""
        from simcore.loop.run import compiled_run, python_shell

        if hasattr(self.controller, "compiled_function"):
            self.controller.compiled_function()
            compiled_run()
        else:
            python_shell()

    def setup(self):
        """What the controller is told before the run."""
        scenario = self.scenario
        updates = 1 if scenario.inverter.update == "double" else 2
        return Setup(
            update_s=updates * scenario.tick_s,
            tick_s=scenario.tick_s,
            delay_updates=scenario.controller.delay_updates,
            machine=scenario.controller_machine,
            inverter=scenario.inverter,
            inertia_kg_m2=scenario.load.inertia_kg_m2 if scenario.load.kind == "free" else None,
            tuning=dict(scenario.controller.tuning),
            mode=scenario.controller.mode or "torque",
        )

    def _reset_controller(self):
        try:
            self.controller.reset(self.setup())
        except TuningError as error:
            raise ScenarioError([f"{self.scenario.path.name}: {problem}" for problem in error.problems]) from error
        except (Exception, SystemExit) as error:
            raise RunError(controller_sentence(self.controller, "reset", error), None) from error
        return self._signal_names()

    def _signal_names(self):
        """The controller's own signals: plain names, each once, as many as are recorded."""
        signals, kind = self.controller.signals, type(self.controller).__name__
        rule = None
        if not isinstance(signals, (tuple, list)) or not all(isinstance(name, str) for name in signals):
            rule = f'is {signals!r}; it must be a tuple of names. Write signals = ("my_flux",)'
        elif bad := [name for name in signals if not (name.isidentifier() and name.isascii())]:
            rule = f"holds {bad[0]!r}; a name consists of letters a-z, digits and underscores. Rename it"
        elif len(set(signals)) < len(signals):
            rule = f"names one signal twice: {', '.join(signals)}. Rename one"
        elif len(signals) > EXTRA_SIGNALS:
            rule = f"has {len(signals)} names; at most {EXTRA_SIGNALS} are recorded. Drop some"
        if rule:
            raise ScenarioError([f"{self.scenario.path.name}: controller.class: {kind}.signals {rule}."])
        return tuple(signals)

    def run(self, progress=None, *, in_python=False):
        """Run the scenario.  progress(done_s, total_s) is called about every 0.1 simulated seconds.

        in_python steps a compiled controller through its Python class instead, with equal results.  Raises RunError, which
        carries the recording up to the failure, when the run cannot finish.
        """
        scenario = self.scenario
        begun = time.perf_counter()
        names = self._reset_controller()
        params, table, points, scopes, samples = build_parameters(scenario)
        states = build_state(scenario, params, table)
        before = stored_energy(scenario, params, states[0]["plant"])
        ticks, every = scenario.ticks, scenario.record_every
        rows = np.empty(((ticks + every - 1) // every, len(ROW_CHANNELS)))
        extras = np.zeros((len(rows), len(names)))
        measured, commands = np.zeros(1, MEASURED), np.zeros(1, COMMAND)
        for name in ("torque_reference_Nm", "torque_estimate_Nm", "id_reference_A", "iq_reference_A", "voltage_margin_V"):
            commands[name] = math.nan
        common = (params, states, measured, commands, table, points, scopes, samples, rows, extras)
        compiled = None if in_python else getattr(self.controller, "compiled_step", lambda: None)()
        problem = None
        if compiled is not None:
            wall_s = self._run_compiled(common, compiled, progress)
        else:
            wall_s, problem = run_python(self.controller, scenario, common, names, progress)
        state = states[0]
        if problem is None and state["status"] != OK:
            problem = status_sentence(scenario, self.controller, state)
        done = int(state["tick"])
        audit = close_audit(scenario, params, before, state)
        findings = self._findings(state)
        if scenario.machine.kind == "flux_map" and done:
            findings += compare_map_energy(scenario, params, table, rows[0], state["plant"], audit)
        kept = (done + every - 1) // every
        if done % every:
            # A run that broke off inside a row left its sums behind.
            rows[kept - 1, SUMS_AT:] = [state["row"][name] for name in SUM_CHANNELS]
        recording = Recording(
            scenario, params, table, rows[:kept], extras[:kept], names, done, _closing(scenario, state),
            audit,
            (samples, [(int(s["first"]), int(s["count"])) for s in scopes[: len(scenario.scope)]]),
            findings,
        )  # fmt: skip
        simulated = done * scenario.tick_s
        recording.timing = {
            "simulated_s": simulated,
            "wall_s": wall_s,
            "total_s": time.perf_counter() - begun,
            "real_time_factor": simulated / wall_s if wall_s > 0.0 else math.nan,
        }
        if problem is not None:
            recording.error = problem
            raise RunError(problem, recording)
        return recording

    def _run_compiled(self, common, compiled, progress):
        from simcore.loop.run import compiled_run

        run = compiled_run()
        scenario, state = self.scenario, common[1]
        ticks = scenario.ticks
        chunk = max(2, 2 * round(0.5 * CHUNK_S / scenario.tick_s))
        wall = 0.0
        # An empty call first: the conversion of arguments that are new to the run is no part of stepping.
        run(*common, 0, ticks, 0, compiled.function, compiled.parameters, compiled.state, compiled.tables)
        while state["tick"][0] < ticks and state["status"][0] == OK:
            until = min(ticks, int(state["tick"][0]) + chunk)
            begun = time.perf_counter()
            run(*common, until, ticks, 0, compiled.function, compiled.parameters, compiled.state, compiled.tables)
            wall += time.perf_counter() - begun
            if progress is not None:
                progress(float(state["tick"][0]) * scenario.tick_s, ticks * scenario.tick_s)
        return wall

    def _findings(self, state):
        findings = list(self.scenario.findings)
        if state["map_tick"] >= 0:
            at_s = state["map_tick"] * self.scenario.tick_s
            findings.append(
                f"The current left the flux map at tick {state['map_tick']} ({at_s:.6g} s), by at most "
                f"{100.0 * state['map_distance']:.2g} % of the map's range; the map continues linearly there."
            )
        return tuple(findings)


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
