"""Link-voltage sensor: gain x v + offset, noise, round to nearest, clip; LSB = 2 range / 2^bits.  By hand from that order."""

import numpy as np
import pytest
from listener import listen


def told(voltage_V=400.0, duration_s=0.001, **sensor):
    recording = listen(supply={"voltage_V": voltage_V}, sensors={"link_voltage": sensor}, run={"duration_s": duration_s})
    assert recording["link_voltage_V"] == pytest.approx(voltage_V, abs=1e-9)
    assert np.array_equal(recording["controller_link_V"], recording["link_voltage_measured_V"])
    return recording["controller_link_V"]


def test_ideal_sensor_tells_the_link_voltage():
    assert told() == pytest.approx(400.0, abs=1e-12)


def test_gain_then_offset():
    assert told(gain=1.02, offset_V=-3.0) == pytest.approx(405.0, abs=1e-9)


@pytest.mark.parametrize("steps, expected", [(200.49, 200), (200.51, 201)])
def test_converter_rounds_to_the_nearest_step(steps, expected):
    """10 bits over +-1024 V: steps of 2 V."""
    assert told(2.0 * steps, adc_bits=10, range_V=1024.0) == pytest.approx(2.0 * expected, abs=1e-9)


def test_offset_comes_before_rounding_and_the_range_clips_last():
    assert told(400.6, offset_V=0.6, adc_bits=10, range_V=1024.0) == pytest.approx(402.0, abs=1e-9)
    assert told(900.0, gain=1.2, adc_bits=10, range_V=1024.0) == pytest.approx(1024.0, abs=1e-9)


def test_noise_has_the_stated_rms_and_changes_every_tick():
    noise = told(duration_s=0.1, noise_rms_V=1.5) - 400.0
    assert np.std(noise) == pytest.approx(1.5, rel=4.0 / np.sqrt(2.0 * len(noise)))
    assert abs(np.mean(noise)) < 4.0 * 1.5 / np.sqrt(len(noise))
    assert len(np.unique(noise)) == len(noise)


def test_the_built_in_controller_takes_the_measured_voltage(run_scenario):
    """It divides by what it measures: 2 % too much measured is 2 % too little given (open loop, voltage mode)."""
    voltages = []
    for gain in (1.0, 1.02):
        recording = run_scenario(
            machine={"inductance_d_H": 5e-3, "inductance_q_H": 5e-3, "stator_resistance_ohm": 1.0, "magnet_flux_Wb": 1e-4},
            controller={"mode": "voltage"},
            commands={"replace": True, "vd_V": 0.0, "vq_V": 50.0},
            sensors={"link_voltage": {"gain": gain}},
            run={"duration_s": 0.01},
        )
        voltages.append(np.mean(recording["vq_V"][2:]))
    assert voltages[1] == pytest.approx(voltages[0] / 1.02, rel=1e-6)
