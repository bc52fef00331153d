"""What sensors do once an update where that is every second tick, and draws that are new every time."""

import math

import numpy as np
import pytest
from listener import listen

from simcore.loop.setup import build_parameters, build_state

ONCE_A_PERIOD = {"switching_frequency_Hz": 10000, "update": "single"}


def test_the_encoder_s_speed_is_counts_over_a_whole_period():
    recording = listen(inverter=ONCE_A_PERIOD, load={"kind": "rig", "speed_rpm": 3000.0},
                       sensors={"position": {"kind": "encoder", "lines": 20_000, "speed_filter_Hz": 0.0}})  # fmt: skip
    assert recording["controller_speed_rpm"][4:] == pytest.approx(3000.0, rel=0.01)


def test_a_temperature_sensor_s_body_follows_over_a_whole_period(make_scenario):
    """100 us of a time constant of 200 us: what is left of the step is exp(-1/2)."""
    from numba import njit

    from controllers.contract import MEASURED
    from simcore.loop.stages import sense_temperatures

    scenario = make_scenario(inverter=ONCE_A_PERIOD, machine={"winding_temperature_degC": 120.0},
                             sensors={"winding_temperature": {"time_constant_s": 200e-6}})  # fmt: skip
    params, table, *_ = build_parameters(scenario)
    states = build_state(scenario, params, table)
    states[0]["sensors"]["winding_degC"] = 20.0
    measured = np.zeros(1, MEASURED)
    njit(lambda p, s, m: sense_temperatures(p[0], s[0], m[0], 0))(params, states, measured)
    assert measured["winding_degC"][0] == pytest.approx(120.0 - 100.0 * math.exp(-0.5), rel=1e-12)


def test_measured_currents_are_the_true_ones_at_any_angle():
    """Ideal sensors in a turning rotor: dq currents measured are those of the machine, at every tick."""
    recording = listen(load={"kind": "rig", "speed_rpm": 6000.0},
                       initial={"id_A": 30.0, "iq_A": -40.0, "angle_electrical_deg": 50.0})  # fmt: skip
    for name in ("id", "iq"):
        assert recording[f"{name}_measured_A"] == pytest.approx(recording[f"{name}_A"], abs=1e-9)
    assert np.ptp(recording["controller_angle_rad"]) > math.pi


def normal_in_time(values, sigma):
    """Spread sigma, no draw like the one before: within four standard errors of a normal sequence."""
    slack = 4.0 / math.sqrt(len(values))
    assert np.std(values) == pytest.approx(sigma, rel=slack)
    assert abs(np.corrcoef(values[1:], values[:-1])[0, 1]) < slack


@pytest.mark.parametrize("update", ["single", "double"])
def test_link_voltage_noise_is_drawn_anew_at_every_update(update):
    recording = listen(inverter={"switching_frequency_Hz": 10000, "update": update},
                       sensors={"link_voltage": {"noise_rms_V": 2.0}}, run={"duration_s": 0.05})  # fmt: skip
    told = recording["controller_link_V"][:: 2 if update == "single" else 1]
    normal_in_time(told - 400.0, 2.0)


def test_resolver_noise_is_drawn_anew_at_every_tick():
    """Channel noise held for a tick, behind a tracking loop of noise bandwidth wn (4 z^2 + 1)/(8 z): sigma sqrt(2 B tick).

    Hanselman 1990 (from memory); a draw that came again and again would end as a steady offset.
    """
    position = {"kind": "resolver", "pole_pairs": 1, "noise_rms": 1e-3, "tracking_natural_frequency_Hz": 50.0,
                "tracking_damping": 1.0}  # fmt: skip
    recording = listen(sensors={"position": position}, run={"duration_s": 0.4})
    late = np.radians(recording["angle_error_deg"][1000:])
    expected = 1e-3 * math.sqrt(2.0 * 2.0 * math.pi * 50.0 * 5.0 / 8.0 * 50e-6)
    assert np.std(late) == pytest.approx(expected, rel=0.25)
    assert abs(np.mean(late)) < expected
