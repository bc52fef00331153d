"""What position sensors tell: ideal angle and speed, resolver with pole pairs of its own."""

import math

import numpy as np
import pytest
from listener import listen


def told(machine_pole_pairs, speed_rpm, **position):
    return listen(
        machine={"pole_pairs": machine_pole_pairs},
        load={"kind": "rig", "speed_rpm": speed_rpm},
        initial={"angle_electrical_deg": 100.0},
        sensors={"position": position} if position else {},
        run={"duration_s": 0.1},
    )


def true_angle(recording, machine_pole_pairs, speed_rpm):
    turned = machine_pole_pairs * speed_rpm * math.pi / 30.0 * recording.time_s
    return np.angle(np.exp(1j * (turned + math.radians(100.0))))


@pytest.mark.parametrize("speed_rpm", [1234.0, -1234.0, 0.0])
def test_ideal_sensor_tells_electrical_angle_and_mechanical_speed(speed_rpm):
    """Angle in (-pi, pi], growing with a-b-c rotation."""
    recording = told(4, speed_rpm)
    assert recording["controller_angle_rad"] == pytest.approx(true_angle(recording, 4, speed_rpm), abs=1e-9)
    assert recording["controller_speed_rpm"] == pytest.approx(speed_rpm, abs=1e-9)
    assert recording["angle_error_deg"] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("pole_pairs", [1, 2, 4])
@pytest.mark.parametrize("speed_rpm", [1234.0, -1234.0])
def test_faultless_resolver_tells_the_same_at_any_pole_pairs(pole_pairs, speed_rpm):
    """Begun on the true angle and speed, many turns long: no error builds up, no turn is lost."""
    recording = told(4, speed_rpm, kind="resolver", pole_pairs=pole_pairs)
    error = np.angle(np.exp(1j * (recording["controller_angle_rad"] - true_angle(recording, 4, speed_rpm))))
    assert np.max(np.abs(error)) < 1e-8
    assert np.all(np.abs(recording["controller_angle_rad"]) <= math.pi)
    assert recording["controller_speed_rpm"] == pytest.approx(speed_rpm, abs=1e-6)


def test_resolver_starts_on_what_its_channels_show():
    """A defect is there from the first tick on; the tracking loop does not step to it."""
    recording = told(4, 0.0, kind="resolver", pole_pairs=1, offset_sin=0.02)
    angle = math.radians(25.0)
    expected = 4.0 * (math.atan2(math.sin(angle) + 0.02, math.cos(angle)) - angle)
    assert np.radians(recording["angle_error_deg"]) == pytest.approx(expected, abs=1e-9)


def test_noise_of_the_resolver_is_new_every_tick():
    """One tick of noise moves the tracked angle by 2 z wn tick times the noise: steps of that size, without order."""
    recording = told(1, 0.0, kind="resolver", noise_rms=0.01)
    steps = np.diff(recording["controller_angle_rad"])
    size = 2.0 * 0.7071 * 2.0 * math.pi * 300.0 * 50e-6 * 0.01
    assert np.std(steps) == pytest.approx(size, rel=0.15)
    assert abs(np.corrcoef(steps[1:], steps[:-1])[0, 1]) < 0.25
