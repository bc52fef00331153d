"""The bench: one scenario, its controller, and the run."""

import time

from controllers.contract import EXTRA_SIGNALS, ContractError, Setup
from simcore.loop.compiled_check import ready_step
from simcore.loop.errors import RunError, controller_sentence
from simcore.loop.loading import load_controller
from simcore.loop.member import Member
from simcore.loop.python_shell import run_python
from simcore.loop.thermal_steady import steady_start, wanted_steady
from simcore.scenario import ScenarioError


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
        from simcore.loop.first_compile import second_process
        from simcore.loop.run import compiled_run, python_shell

        with second_process() as both_halves:
            if hasattr(self.controller, "compiled_function"):
                try:
                    self.controller.compiled_function()
                except ContractError as error:
                    raise self._refused(error) from error
            both_halves()
            if hasattr(self.controller, "compiled_step"):
                compiled_run()
            else:
                python_shell()

    def setup(self):
        """What the controller is told before the run."""
        scenario = self.scenario
        updates = 1 if scenario.inverter.update == "double" else 2
        inverter, load = scenario.controller_inverter, scenario.controller_load
        tick_s = 0.5 / inverter.switching_frequency_Hz
        return Setup(
            update_s=updates * tick_s,
            tick_s=tick_s,
            delay_updates=scenario.controller.delay_updates,
            machine=scenario.controller_machine,
            inverter=inverter,
            inertia_kg_m2=getattr(load, "total_inertia_kg_m2", None),
            tuning=dict(scenario.controller.tuning),
            mode=scenario.controller.mode or "torque",
        )

    def _refused(self, error):
        return ScenarioError([f"{self.scenario.path.name}: {problem}" for problem in error.problems])

    def _compiled_step(self):
        """The controller's compiled step, checked; None where it has none."""
        if not hasattr(self.controller, "compiled_step"):
            return None
        try:
            given = self.controller.compiled_step()
            return None if given is None else ready_step(self.controller, given)
        except ContractError as error:
            raise self._refused(error) from error
        except (Exception, SystemExit) as error:
            raise RunError(controller_sentence(self.controller, "compiled_step", error), None) from error

    def _reset_controller(self):
        try:
            self.controller.reset(self.setup())
        except ContractError as error:
            raise self._refused(error) from error
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
        member, compiled = self.member(in_python=in_python)
        problem = None
        if compiled is not None:
            total_s = self.scenario.ticks * self.scenario.tick_s
            tell = None if progress is None else lambda: progress(member.done_s, total_s)
            member.run_compiled(compiled, tell)
        else:
            member.wall_s, problem = run_python(member, progress)
        recording = member.close(problem)
        if recording.error is not None:
            raise RunError(recording.error, recording)
        return recording

    def member(self, *, in_python=False):
        """Reset the controller => (Member at tick 0, its compiled step or None where the controller runs in Python)."""
        begun = time.perf_counter()
        start = steady_start(self.scenario, self._run_held) if wanted_steady(self.scenario) else None
        names = self._reset_controller()
        step = None if in_python else self._compiled_step()
        return Member(self.scenario, self.controller, names, begun, start), step

    def _run_held(self, scenario, start, lead_ticks):
        """(scenario of the operating point alone, thermal fields, ticks before the window of losses) => its Member, run."""
        names = self._reset_controller()
        step = self._compiled_step()
        member = Member(scenario, self.controller, names, time.perf_counter(), start)
        member.params[0]["power"]["window_tick"] = lead_ticks
        if step is not None:
            member.run_compiled(step)
        else:
            run_python(member)
        return member
