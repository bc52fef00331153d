"""When the current is sampled, and what dead time takes.  Cases from practice, figures recomputed."""

import math

import numpy as np
import pytest
from field_case import run_case


@pytest.mark.parametrize("shift_s", [0.0, 2e-6, 5e-6, 10e-6])
def test_ripple_aliases_into_samples_away_from_the_carriers_ends(shift_s):
    """Sampling late by t after peak or valley: all legs lie at one rail there, so the current runs off at -v/L.

    The sample is wrong by -v t/L (v the voltage vector of the fundamental), nothing at peak and valley, and the loop keeps
    the wrong sample at the reference: the true current is off by + v t/L.
    """
    inductance = 0.25e-3
    recording = run_case(
        inverter={"model": "switched"},
        machine={"stator_resistance_ohm": 0.02},
        load={"kind": "rig", "speed_rpm": 3000},
        sensors={"current": {"sample_shift_s": shift_s}},
        commands={"id_A": 0.0, "iq_A": 60.0},
        run={"duration_s": 0.2},
    )
    late = slice(-800, None)
    v = np.mean(recording["vd_V"][late]) + 1j * np.mean(recording["vq_V"][late])
    true = np.mean(recording["id_A"][late]) + 1j * np.mean(recording["iq_A"][late])
    measured = np.mean(recording["id_measured_A"][late]) + 1j * np.mean(recording["iq_measured_A"][late])
    assert measured == pytest.approx(60j, abs=0.05)
    # In the rotor's frame the sample turns on by w t meanwhile: (w t)^2 and R t/L are left out, 1 % of the current.
    turned = 60.0 * 4.0 * 3000.0 * math.pi / 30.0 * shift_s
    assert true - 60j == pytest.approx(v * shift_s / inductance, abs=0.06 + 0.1 * turned)
    assert abs(true - 60j) == pytest.approx(abs(v) * shift_s / inductance, abs=0.15)


DEAD_TIME = {"dead_time_s": 2e-6}
F1_HZ, RESISTANCE, INDUCTANCE, CURRENT = 10.0, 1.5, 40e-3, 60.0
PERIOD = 2000  # ticks


@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_dead_time_of_two_microseconds(model):
    """2 us, 10 kHz, 400 V: 8 V a leg; fundamental short by 10.19 V, fifth 2.04 V, seventh 1.46 V, both at order 6 in dq.

    Square wave of 8 V against the current: 4/(h pi) of it; in a frame on the current (4/pi) 12/35 of 8 V in quadrature at
    order 6 and (4/pi) 2/35 in phase.
    """
    w = 2.0 * math.pi * F1_HZ
    wanted = complex(RESISTANCE, w * INDUCTANCE) * CURRENT + 4.0 / math.pi * 8.0
    recording = run_case(
        machine={
            "pole_pairs": 1, "stator_resistance_ohm": RESISTANCE, "inductance_d_H": INDUCTANCE, "inductance_q_H": INDUCTANCE,
            "magnet_flux_Wb": 1e-12, "max_current_A": 1.0,
        },
        inverter={"model": model, **DEAD_TIME},
        load={"kind": "rig", "speed_rpm": 60.0 * F1_HZ},
        controller={"mode": "voltage"},
        commands={"vd_V": wanted.real, "vq_V": wanted.imag},
        initial={"id_A": CURRENT},
        run={"duration_s": 0.2},
    )  # fmt: skip
    angle = 2.0 * math.pi * (np.arange(PERIOD) + 0.5) / PERIOD

    def order(values, h):
        return 2.0 * abs(np.mean(values[PERIOD:] * np.exp(-1j * h * angle)))

    lost = recording["va_V"] - 400.0 * (recording["duty_a"] - sum(recording[f"duty_{x}"] for x in "abc") / 3.0)
    assert [order(lost, h) for h in (1, 5, 7)] == pytest.approx([10.19, 2.04, 1.46], rel=0.015)
    assert np.mean(recording["vd_V"][PERIOD:]) - wanted.real == pytest.approx(-10.19, abs=0.05)
    assert order(recording["vd_V"], 6) == pytest.approx(8.0 * 4.0 / math.pi * 2.0 / 35.0, abs=0.04)
    assert order(recording["vq_V"], 6) == pytest.approx(8.0 * 4.0 / math.pi * 12.0 / 35.0, abs=0.05)
