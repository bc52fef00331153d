"""The fixture of the conformance checker; simcore.pytest_plugin brings it into every test run."""

from pathlib import Path

import pytest


@pytest.fixture
def check_controller(request):
    """check_controller(MyController), ("drive.toml") or ("my_control.so", "drive.toml"): see simcore.testing.check_controller.

    Relative paths count from the folder of the test file.
    """
    from simcore import testing

    folder = request.path.parent

    def check(controller=None, scenario=None, **how):
        __tracebackhide__ = True
        given = (folder / value if isinstance(value, (str, Path)) else value for value in (controller, scenario))
        return testing.check_controller(*given, **how)

    return check
