"""Somebody's own repository: nothing but the installed wheel and a folder of TOML files, with folders named like ours."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from shared_benches import SMALL_PUMP

ROOT = Path(__file__).resolve().parent.parent.parent
SCENARIO = SMALL_PUMP + """\
[template]
load.speed_rpm = [200, 400]
[[expect]]
signal = "iq_A"
measure = "mean"
from_s = 0.01
min = {least}
"""
pytestmark = pytest.mark.packaging


def call(*command, cwd, **environment):
    """=> (exit status, output) in an environment that knows nothing of this repository."""
    kept = {key: value for key, value in os.environ.items() if not key.startswith(("PYTEST", "PYTHONPATH"))}
    done = subprocess.run(
        [sys.executable, *command], cwd=cwd, capture_output=True, text=True, check=False, env={**kept, **environment}
    )
    return done.returncode, done.stdout + done.stderr


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """A folder with the wheel of this source installed; skipped aloud where no wheel can be built (no package index)."""
    folder = tmp_path_factory.mktemp("wheel")
    status, out = call("-m", "pip", "wheel", "--no-deps", "--wheel-dir", folder, ROOT, cwd=folder)
    if status:
        pytest.skip(f"no wheel could be built: {out.strip().splitlines()[-1]}")
    (wheel,) = folder.glob("drybench-*.whl")
    status, out = call("-m", "pip", "install", "--no-deps", "--target", folder / "site", wheel, cwd=folder)
    assert status == 0, out
    return folder / "site"


def test_pytest_finds_the_scenarios_of_a_repository_that_holds_nothing_else(site, tmp_path):
    for name in ("controllers", "scenarios", "tests"):
        (tmp_path / name).mkdir()
    (tmp_path / "scenarios" / "steps.toml").write_text(SCENARIO.format(least=4.0))
    (tmp_path / "tests" / "poor.toml").write_text(SCENARIO.format(least=40.0))
    status, out = call("-m", "simcore", "baseline", "scenarios", cwd=tmp_path, PYTHONPATH=str(site))
    assert status == 0 and out.count("Wrote scenarios/steps-speed_rpm=") == 2, out
    script = "import sys, pytest; sys.path.remove(''); sys.exit(pytest.main(['-v', '-p', 'no:cacheprovider']))"
    status, out = call("-c", script, cwd=tmp_path, PYTHONPATH=str(site))
    assert status == 1 and "2 failed, 4 passed" in out, out
    assert "scenarios/steps.toml::speed_rpm=200::baseline PASSED" in out
    assert "tests/poor.toml::speed_rpm=400::iq_A-mean[from=0.01s] FAILED" in out
    assert str(site) not in out and "overview.png" in out
