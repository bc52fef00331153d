"""Does a controller keep the contract?  Run in the loop, then played its own samples in every order that could tell."""

from pathlib import Path
from typing import NamedTuple

from simcore.loop.errors import RunError
from simcore.testing.hidden import variables_of
from simcore.testing.looks import compiled_differs, depends_on_outside, extremes, forgetful_reset, shared_state, too_slow
from simcore.testing.subject import Subject, trial_scenario
from simcore.testing.tape import tape_in_loop

UPDATES = 1000


class ConformanceError(AssertionError):
    """A controller that does not keep the contract.  `findings` holds one sentence each."""

    def __init__(self, findings):
        self.findings = tuple(findings)
        super().__init__("\n".join(self.findings))


class Conformance(NamedTuple):
    """A controller that keeps the contract: its name, updates looked at, its speed (None where it was not asked for)."""

    name: str
    updates: int
    real_time_factor: float | None


def check_controller(controller=None, scenario=None, *, updates=UPDATES, real_time=None, tuning=None, mode=None):
    """Raise ConformanceError with every finding about a controller; return a Conformance where there is none.

    controller: its class, a function that makes a fresh one, or the path of a C library; None: the scenario's. scenario: a
    file or Scenario; None: a drive of drybench's own. updates: how many at most. real_time: the multiple of real time that the
    run must reach. tuning, mode: instead of the scenario's. Raises ScenarioError for a tuning that the controller refuses,
    ContractError for one that cannot be used at all.

    Looked for: exceptions, answers of the wrong type, duties that are no number or outside 0..1 (also at extreme samples), a
    reset that forgets something, state kept outside the instance, answers that depend on nothing told, a compiled step that
    differs from the Python one.
    """
    __tracebackhide__ = True  # pytest shows the line of the test
    if scenario is None and isinstance(controller, (str, Path)) and str(controller).endswith(".toml"):
        controller, scenario = None, controller
    scenario = trial_scenario(scenario, updates, tuning, mode)
    subject = Subject(controller, scenario)
    findings = list(_findings(subject, real_time))
    if findings:
        raise ConformanceError(findings)
    return Conformance(subject.name, len(subject.tape.samples), subject.factor)


def _findings(subject, real_time):
    """The findings in the order in which one explains the next; what a former one makes worthless is left out."""
    before = variables_of(subject.kind)
    try:
        subject.tape = tape_in_loop(subject.scenario, subject.first)
    except RunError as error:
        yield str(error)
        return
    if subject.tape.fault:
        yield subject.tape.fault
    if not subject.tape.samples:
        return
    outside = depends_on_outside(subject, before)
    if outside:
        yield outside
    else:
        for look in (forgetful_reset, shared_state, compiled_differs):
            if found := look(subject, before):
                yield found
    if not subject.tape.fault and (found := extremes(subject)):
        yield found
    if real_time is not None and not subject.tape.fault and (found := too_slow(subject, real_time)):
        yield found
