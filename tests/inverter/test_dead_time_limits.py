"""Dead time where the square wave of the textbooks ends: pulses shorter than it, dropped pulses, clamped legs.

Expected from the circuit alone: a leg gives no voltage outside its rails, and a pulse that the dead time swallows is not there.
"""

import numpy as np
import pytest
from duty_source import run_duties

VDC, TICK_S, DEAD_S = 400.0, 50e-6, 2e-6
DV = DEAD_S / (2.0 * TICK_S) * VDC


def mean_leg_a(model, duty, current_A, **inverter):
    """Leg a at the given duty, b and c clamped to the lower rail, steady current => mean of leg a's voltage [V]."""
    recording = run_duties(
        lambda update: (duty, 0.0, 0.0),
        machine={"inductance_d_H": 5.0, "inductance_q_H": 5.0, "max_current_A": 1.0},
        inverter={"model": model, "dead_time_s": DEAD_S, **inverter},
        initial={"id_A": current_A},
        run={"duration_s": 0.004},
    )
    return np.mean(recording["va_V"][4:] - recording["vb_V"][4:])


@pytest.mark.parametrize("model", ["averaged", "switched"])
@pytest.mark.parametrize("duty", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("current", [50.0, -50.0])
def test_longer_pulses_lose_or_gain_the_dead_time(model, duty, current):
    assert mean_leg_a(model, duty, current) == pytest.approx(duty * VDC - np.sign(current) * DV, rel=1e-3)


@pytest.mark.parametrize("model", ["averaged", "switched"])
@pytest.mark.parametrize(
    "duty, current, expected",
    [
        (0.01, 50.0, 0.0),  # 1 us up, 2 us of dead time: the upper switch never turns on
        (0.01, -50.0, 0.01 * VDC + DV),  # the upper diode carries the current through the dead time as well
        (0.99, -50.0, VDC),  # and the other way round
        (0.99, 50.0, 0.99 * VDC - DV),
    ],
)
def test_a_leg_never_leaves_its_rails(model, duty, current, expected):
    assert mean_leg_a(model, duty, current) == pytest.approx(expected, abs=0.02)


@pytest.mark.parametrize("model", ["averaged", "switched"])
@pytest.mark.parametrize("current", [50.0, -50.0])
@pytest.mark.parametrize("duty, expected", [(0.0, 0.0), (0.03, 0.0), (0.97, VDC), (1.0, VDC)])
def test_dropped_pulses_take_their_dead_time_with_them(model, current, duty, expected):
    """Minimum pulse 8 us: 2 x 0.03 x 50 us is dropped, the leg does not switch and errs no more."""
    assert mean_leg_a(model, duty, current, minimum_pulse_s=8e-6) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_pulses_above_the_minimum_stay(model):
    found = mean_leg_a(model, 0.09, 50.0, minimum_pulse_s=8e-6)
    assert found == pytest.approx(0.09 * VDC - DV, rel=2e-3)
