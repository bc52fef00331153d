"""The points of a study, run where they are not kept already."""

from contextlib import nullcontext

from simcore.scenario import ScenarioError
from simcore.study.points.executors import ExecutorFailed, points_of
from simcore.study.points.kept import Kept, study_key


def all_points(job, todo, *, executor=None, workers=None, progress=None, kept=None, resumed=None, anew=None, settings=()):
    """(Job, [(number, values), ...]) => Points in the order of `todo`, each run or taken from the file `kept`.

    progress(done, total) is called some ten times a second, resumed(done, total) once where points were kept, anew(count) where
    the file held points of another study instead, which are dropped.  Raises ExecutorFailed, with `done` and `total`, where the
    executor gives up; Ctrl-C passes through.  In both cases `kept` holds what was done, and the same call goes on from there.
    """
    todo = [(index, tuple(values)) for index, values in todo]
    with Kept(kept, study_key(job, *settings), job) if kept is not None else nullcontext() as store:
        found = {} if store is None else {index: store.points[index] for index, _ in todo if index in store.points}
        open_ = [(index, values) for index, values in todo if index not in found]
        if found and resumed is not None:
            resumed(len(found), len(todo))
        if store is not None and store.others and anew is not None:
            anew(store.others)
        tell = None if progress is None else lambda done: progress(len(todo) - len(open_) + done, len(todo))
        try:
            for point in points_of(job, open_, executor, workers, tell):
                found[point.index] = point
                if store is not None:
                    store.add(point)
        except ExecutorFailed as error:
            error.done, error.total = len(found), len(todo)
            raise
    return [found[index] for index, _ in todo]


def check_controller(job, values_of_keys):
    """(Job, {key: its values}) => None; raises ScenarioError with what the controller says to each value of a key of its own.

    Its tuning is checked by the class and not by the scenario: wrong keys are told before anything runs.
    """
    from simcore.loop import Bench, RunError

    for place, (key, values) in enumerate(values_of_keys.items()):
        if not key.startswith("controller."):
            continue
        nominal = [given[0] for given in values_of_keys.values()]
        for value in values:
            nominal[place] = value
            try:
                Bench(job.at(0, nominal)).member()
            except RunError:
                continue
            except ScenarioError as error:
                raise ScenarioError([f"{problem} ({job.label} {key})" for problem in error.problems]) from error


def refuse_without_expectations(scenario, what):
    """A study measures what the expectations name."""
    if not scenario.expect:
        raise ScenarioError([f"{scenario.path.name}: expect: is missing; {what} measures what [[expect]] asks for. Add one."])
