"""Temperature sensors: gain, offset, rounding, and the lag of their body."""

import math

import numpy as np
import pytest

from simcore.sensing.records import TEMPERATURE_SENSOR
from simcore.sensing.temperature import lagged


def test_temperature_sensors_lag_and_err(run_scenario):
    recording = run_scenario(
        machine={"winding_temperature_degC": 90.0},
        sensors={"winding_temperature": {"gain": 1.02, "offset_K": -3.0, "resolution_K": 0.5}},
    )
    assert np.all(recording["winding_measured_degC"] == 89.0) and np.all(recording["winding_degC"] == 90.0)


def test_the_body_follows_a_step_by_its_time_constant():
    # First-order lag: 1 - exp(-t/tau) of the step, however many samples it takes.
    sensor = np.zeros(1, TEMPERATURE_SENSOR)[0]
    sensor["time_constant_s"] = 2.0
    reached = 25.0
    for _ in range(300):
        reached = lagged(sensor, reached, 125.0, 0.01)
    assert reached == pytest.approx(125.0 - 100.0 * math.exp(-3.0 / 2.0), rel=1e-9)
    assert lagged(sensor, 25.0, 125.0, 2.0) == pytest.approx(125.0 - 100.0 / math.e, rel=1e-12)
    sensor["time_constant_s"] = 0.0
    assert lagged(sensor, 25.0, 125.0, 0.01) == 125.0
