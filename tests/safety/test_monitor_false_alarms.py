"""The shipped monitor lets every healthy drive run: no shipped scenario trips it, and none is changed by it."""

import numpy as np
import pytest

from simcore import Bench, load_scenario
from simcore.scenario.parts import library

PART = 'safety.part="safety/traction"'
# Faults on purpose, trips on purpose, and a controller that believes in a wrong magnet.
NOT_HEALTHY = {"data_sheet_misread": "current_plausibility", "towed_tractor": "overspeed"}
SCENARIOS = sorted(library().parent.glob("*.toml"))


def healthy(path):
    return path.stem not in NOT_HEALTHY and "[[fault]]" not in path.read_text(encoding="utf-8")


@pytest.mark.parametrize("path", [path for path in SCENARIOS if healthy(path)], ids=lambda path: path.stem)
def test_a_healthy_shipped_scenario_trips_nothing(path):
    scenario = load_scenario(path, [PART])
    found = Bench(scenario).run()
    assert found.monitor["checks"] >= 15
    assert found.monitor["trips"] == [] and found.monitor["states"] == []
    assert not np.any(found["tripped_by"])


def test_there_are_healthy_scenarios_enough():
    assert sum(healthy(path) for path in SCENARIOS) >= 16


def test_a_watched_drive_runs_as_one_that_is_not():
    path = library().parent / "torque_steps.toml"
    watched, alone = Bench(load_scenario(path, [PART])).run(), Bench(load_scenario(path)).run()
    for signal in ("torque_Nm", "id_A", "duty_a", "link_voltage_V", "angle_error_deg"):
        assert np.array_equal(watched[signal], alone[signal])


@pytest.mark.parametrize("name", NOT_HEALTHY)
def test_what_is_not_healthy_is_noticed(name):
    """A magnet believed to be sqrt(2) weaker than it is makes the currents implausible before the first torque."""
    found = Bench(load_scenario(library().parent / f"{name}.toml", [PART])).run()
    assert found.monitor["trips"][0]["check"] == NOT_HEALTHY[name]
