"""What pytest collects of a scenario file: an item an expectation, one for the run, one for the baseline."""

from pathlib import Path

import pytest

from simcore.pytest_plugin import WRITTEN
from simcore.report.wording import limit_text, measure_text, value_text, verdict_unit, window_text
from simcore.scenario import ScenarioError, load_scenarios

_CHECKED = pytest.StashKey[dict]()


class ScenarioFile(pytest.File):
    """A scenario file; a template has a collector a case."""

    def collect(self):
        try:
            # Refuses where another package named controllers lies in front of the shipped one.
            import simcore.loop  # noqa: F401

            scenarios = load_scenarios(self.path)
        except ScenarioError as error:
            yield WrongInput.from_parent(self, name="input", problems=error.problems)
            return
        for scenario in scenarios:
            if scenario.case:
                yield Case.from_parent(self, name=scenario.case, scenario=scenario)
            else:
                yield from _items(self, scenario)


class Case(pytest.Collector):
    """One scenario of a template."""

    def __init__(self, *, scenario, **more):
        super().__init__(**more)
        self.scenario = scenario

    def collect(self):
        yield from _items(self, self.scenario)


def _items(parent, scenario):
    from simcore.study.baseline.document import baseline_path
    from simcore.study.checked_run import expectation_name

    names = {}
    for number, expectation in enumerate(scenario.expect):
        name = expectation_name(expectation)
        names[name] = names.get(name, 0) + 1
        yield Expectation.from_parent(parent, name=_again(name, names[name]), scenario=scenario, number=number)
    if not scenario.expect:
        yield Finishes.from_parent(parent, name="finishes", scenario=scenario)
    if baseline_path(scenario).is_file():
        yield Baseline.from_parent(parent, name="baseline", scenario=scenario)


def _again(name, count):
    """The second of a name says so inside its brackets, where reports for machines leave it."""
    if count == 1:
        return name
    return f"{name[:-1]},#{count}]" if name.endswith("]") else f"{name}[#{count}]"


class Told:
    """A failure in words: first what, then a line a fact."""

    def __init__(self, *lines):
        self.lines = lines
        # What the line of the summary at the end shows.
        self.reprcrash = type("Crash", (), {"message": lines[0]})()

    def __str__(self):
        return "\n".join(self.lines)

    def toterminal(self, terminal):
        for k, line in enumerate(self.lines):
            terminal.line(line, red=k == 0, bold=k == 0)


class Missed(Exception):
    """Carries the Told of an item that failed."""


class Item(pytest.Item):
    """What all items of a scenario share: the run, which is made once a process, and words instead of a traceback."""

    def __init__(self, *, scenario=None, **more):
        super().__init__(**more)
        self.scenario = scenario
        self.add_marker(pytest.mark.drybench)
        if self.config.pluginmanager.hasplugin("xdist"):
            # With --dist loadgroup a scenario stays in one process.
            self.add_marker(pytest.mark.xdist_group(self.parent.nodeid))

    def checked(self):
        """The scenario's CheckedRun. Fails here where it could not run to its end."""
        from simcore.study.checked_run import check_run

        cache = self.config.stash.setdefault(_CHECKED, {})
        key = (self.path, self.scenario.name)
        if key not in cache:
            update = self.config.getoption("--drybench-update")
            cache[key] = check_run(self.scenario, _results_folder(self), compared=not update)
        if cache[key].problem:
            raise Missed(Told(*cache[key].problem.splitlines(), *_where(cache[key])))
        return cache[key]

    def repr_failure(self, excinfo, style=None):
        if isinstance(excinfo.value, Missed):
            return excinfo.value.args[0]
        return super().repr_failure(excinfo, style)

    def reportinfo(self):
        return self.path, None, self.name


def _where(checked):
    return [f"  figure  {path}" for path in checked.figures]


def _results_folder(item):
    """Folder for the results of a scenario that fails; processes side by side have their own."""
    chosen = item.config.getoption("--drybench-out")
    worker = getattr(item.config, "workerinput", {}).get("workerid", "")
    place = item.path.parent
    below = place.relative_to(item.config.rootpath) if place.is_relative_to(item.config.rootpath) else Path(place.name)
    if chosen:
        folder = item.config.invocation_params.dir / chosen
    elif cache := getattr(item.config, "cache", None):
        folder = cache.mkdir("drybench") / worker
    else:
        import tempfile

        folder = Path(tempfile.gettempdir()) / "drybench" / worker
    return folder / below / item.scenario.name


class WrongInput(Item):
    """A scenario that cannot be read."""

    def __init__(self, *, problems, **more):
        super().__init__(**more)
        self.problems = problems

    def runtest(self):
        raise Missed(Told(*self.problems))


class Expectation(Item):
    """One [[expect]]."""

    def __init__(self, *, number, **more):
        super().__init__(**more)
        self.number = number

    def runtest(self):
        checked = self.checked()
        verdict = checked.verdicts[self.number]
        value = value_text(verdict, checked.names_of(verdict["signal"]))
        limit = limit_text(verdict["limit"], verdict_unit(verdict))
        self.user_properties += [("value", value), ("limit", limit)]
        if not verdict["passed"]:
            lines = [
                f"{self.scenario.name}: {measure_text(verdict)} is {value}, not {limit}",
                f"  signal  {verdict['signal']}",
                f"  measure {verdict['measure']}, {window_text(verdict)}",
                f"  value   {value}",
                f"  limit   {limit}",
            ]
            lines += [f"  why     {verdict['reason']}"] if verdict.get("reason") else []
            raise Missed(Told(*lines, *_where(checked)))


class Finishes(Item):
    """A scenario without expectations must run to its end."""

    def runtest(self):
        self.checked()


class Baseline(Item):
    """The comparison with the baseline, or its writing anew."""

    def runtest(self):
        checked = self.checked()
        if self.config.getoption("--drybench-update"):
            from simcore.study.baseline.command import plain_runner, update_baseline

            for line in update_baseline(self.scenario, plain_runner):
                self.user_properties.append((WRITTEN, line))
        elif checked.baseline_problem:
            raise Missed(Told(checked.baseline_problem))
        elif checked.moved:
            first, *others = checked.moved
            raise Missed(Told(f"{self.scenario.name}: {first}", *others, *_where(checked)))
