"""One pole pair or three: the same machine electrically, at the same electrical speed."""

import math

import numpy as np
import pytest
from duty_source import run_duties

SHIFTS = np.array([0.0, 2.0 * math.pi / 3.0, -2.0 * math.pi / 3.0])


def currents(pole_pairs, off_from):
    """Little voltage, long dead times: phase currents end in them again and again; gates off from that update on."""
    duties = 0.5 + 0.15 * np.cos(0.2 * np.arange(60)[:, None] - SHIFTS)
    duties[0] = 0.5
    recording = run_duties(
        lambda update: None if update >= off_from else duties[update],
        machine={"pole_pairs": pole_pairs, "stator_resistance_ohm": 2.0, "inductance_d_H": 0.3e-3, "inductance_q_H": 0.4e-3,
                 "magnet_flux_Wb": 0.02},
        inverter={"dead_time_s": 6e-6},
        load={"kind": "rig", "speed_rpm": 1500.0 / pole_pairs * 30.0 / math.pi},
        run={"duration_s": 0.002, "substeps": 8},
    )  # fmt: skip
    return np.array([recording[name] for name in ("ia_A", "ib_A", "ic_A")])


@pytest.mark.parametrize("off_from", [20, 99])
def test_legs_that_float_know_the_electrical_angle(off_from):
    one = currents(1, off_from)
    assert np.abs(one[:, 10:20]).max() > 5.0
    assert currents(3, off_from) == pytest.approx(one, abs=1e-6)
