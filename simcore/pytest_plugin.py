"""Scenario files as tests: `pytest scenarios/` has an item for each expectation, and one for the baseline where there is one.

Loaded by pytest wherever drybench is installed: everything heavy is imported only where there are scenario files.
"""

from simcore.scenario.recognise import is_scenario_file
from simcore.testing.fixtures import check_controller

__all__ = ["check_controller"]  # the fixture
WRITTEN = "drybench_baseline"
# Results of runs are scenario files too, but nobody's tests.
_RESULTS = ("resolved.toml", "worst.toml")


def pytest_addoption(parser):
    group = parser.getgroup("drybench", "drybench: scenario files as tests")
    group.addoption("--drybench-update", action="store_true", help="write the baselines of the scenarios anew")
    group.addoption(
        "--drybench-out", metavar="FOLDER", help="folder for the results of scenarios that fail (default: in pytest's cache)"
    )


def pytest_configure(config):
    config.addinivalue_line("markers", "drybench: an expectation, the run or the baseline of a scenario file")


def pytest_collect_file(file_path, parent):
    if file_path.suffix != ".toml" or file_path.name == "pyproject.toml" or file_path.name.startswith("."):
        return None
    if file_path.name in _RESULTS and not parent.session.isinitpath(file_path):
        return None
    if not is_scenario_file(file_path):
        return None
    from simcore.pytest_items import ScenarioFile

    return ScenarioFile.from_parent(parent, path=file_path)


def pytest_terminal_summary(terminalreporter):
    """Which baselines were written anew, and what moved in them."""
    lines = [
        line
        for report in terminalreporter.stats.get("passed", [])
        for name, line in getattr(report, "user_properties", ())
        if name == WRITTEN
    ]
    if lines:
        terminalreporter.section("drybench baselines")
        for line in lines:
            terminalreporter.line(line)
