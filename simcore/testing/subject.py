"""A controller under test: the scenario it is tried in, and how to make a fresh one."""

from pathlib import Path

from controllers.contract import Controller
from simcore.loop import Bench
from simcore.loop.loading import controller_maker
from simcore.scenario import Scenario, load_scenario
from simcore.scenario.controller import LIBRARY_ENDINGS
from simcore.testing.demo import demo_scenario


def trial_scenario(given, updates, tuning, mode):
    """The scenario, as short as the updates, every tick recorded, with another tuning or mode where one is given."""
    scenario = demo_scenario() if given is None else given if isinstance(given, Scenario) else load_scenario(given)
    per_update = scenario.tick_s * (1 if scenario.inverter.update == "double" else 2)
    run = scenario.run.model_copy(update={"duration_s": min(scenario.run.duration_s, updates * per_update), "record_every": 1})
    asked = {"tuning": tuning, "mode": mode}
    chosen = scenario.controller.model_copy(update={name: value for name, value in asked.items() if value is not None})
    return scenario.model_copy(update={"run": run, "controller": chosen, "expect": (), "scope": (), "fault": ()})


class Subject:
    """How to make one, and what the first did in the loop (`tape`)."""

    def __init__(self, controller, scenario):
        self.scenario, self.factor, self.tape = scenario, None, None
        self._make = self._maker(controller)
        self.first = self._made()
        self.kind, self.name = type(self.first), type(self.first).__name__
        self.setup = Bench(scenario, self.first).setup

    def _maker(self, controller):
        if controller is None:
            return controller_maker(self.scenario)
        if isinstance(controller, (str, Path)):
            if not str(controller).endswith(LIBRARY_ENDINGS):
                raise TypeError(f"controller = {str(controller)!r}: is no scenario file and no C library. Give a class.")
            from controllers.c_library import library_class

            return library_class(Path(controller).absolute())
        if not callable(controller):
            raise TypeError(f"controller = {controller!r:.60}: must be a class, or a function that makes a fresh one.")
        return controller

    def _made(self):
        made = self._make()
        if not isinstance(made, Controller):
            raise TypeError(f"{made!r:.60}: is not derived from controllers.Controller.")
        return made

    def fresh(self, make=None):
        """Another instance, after its reset."""
        made = (make or self._made)()
        made.reset(self.setup())
        return made

    @property
    def library(self):
        """The C library's path; None for a Python class."""
        return getattr(self.kind, "library_path", None)
