"""Lines that benchmarks want printed under the tables: ratios, which pytest-benchmark cannot show across groups."""

import pytest

_LINES = pytest.StashKey[list]()


@pytest.fixture
def say_below(request):
    """say_below(line) prints the line at the end of the test run."""
    return request.config.stash.setdefault(_LINES, []).append


def pytest_terminal_summary(terminalreporter, config):
    lines = config.stash.get(_LINES, [])
    if lines:
        terminalreporter.section("ratios, measured interleaved")
        for line in lines:
            terminalreporter.write_line(line)
