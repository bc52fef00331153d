"""Which limit binds, and by how many volts it does or does not.  Cases from practice, figures recomputed."""

import math

import numpy as np
import pytest
from field_case import run_case

# 580 rpm for each volt of line-line peak, 7 pole pairs, 21 V.
KV, POLE_PAIRS, LINK_V = 580.0, 7, 21.0
FLUX = 1.0 / (math.sqrt(3.0) * POLE_PAIRS * KV * math.pi / 30.0)
RESISTANCE, INDUCTANCE, CURRENT = 0.02, 20e-6, 20.0
MOTOR = {
    "pole_pairs": POLE_PAIRS, "stator_resistance_ohm": RESISTANCE, "inductance_d_H": INDUCTANCE, "inductance_q_H": INDUCTANCE,
    "magnet_flux_Wb": FLUX, "max_current_A": CURRENT, "max_speed_rpm": 20000,
}  # fmt: skip


@pytest.mark.parametrize("modulation, ceiling_rpm", [("svpwm", 12180.0), ("sine", 10548.0)])
def test_the_speed_ceiling_of_21_volts(verified, modulation, ceiling_rpm):
    """580 rpm/V on 21 V without field weakening: 12 180 rpm with space vector modulation, 10 548 rpm with sine.

    The q voltage asked for rises without end; the free rotor follows until its EMF takes all there is: 580 x 21, sqrt3/2 of it.
    """
    recording = run_case(
        machine=MOTOR,
        inverter={"switching_frequency_Hz": 40000, "modulation": modulation},
        supply={"voltage_V": LINK_V},
        load={"kind": "free", "inertia_kg_m2": 3e-6},
        controller={"mode": "voltage"},
        commands={"vd_V": 0.0, "vq_V": {"points": [[0.0, 0.0], [0.4, 20.0]], "shape": "linear"}},
        run={"duration_s": 0.6, "record_every": 10},
    )
    what = f"speed ceiling on 21 V, 580 rpm/V (line-line peak), {modulation} modulation"
    found = recording["speed_rpm"][-1]
    verified(what, "EMF = voltage limit, case from practice", ceiling_rpm, found, 1e-3 * ceiling_rpm, "rpm")
    assert recording.binding_names[int(recording["binding_limit"][-1])] == "modulator"
    assert recording["voltage_margin_V"][-1] < 0.0


def test_stops_at_8400_rpm_though_21_volts_would_do(verified):
    """'Stops at 8400 rpm': its load takes all of the torque there; current binds, and 3.0 V of 12.1 V are left.

    Margin Vdc/sqrt3 - |R i + w psi + j w L i|.
    """
    torque = 1.5 * POLE_PAIRS * FLUX * CURRENT
    recording = run_case(
        machine=MOTOR,
        inverter={"switching_frequency_Hz": 40000},
        supply={"voltage_V": LINK_V},
        load={"kind": "free", "inertia_kg_m2": 1e-5, "viscous_Nm_s": torque / (8400.0 * math.pi / 30.0)},
        controller={"mode": "speed"},
        commands={"speed_rpm": 12000.0},
        run={"duration_s": 0.4, "record_every": 10},
    )
    assert recording["speed_rpm"][-1] == pytest.approx(8400.0, rel=2e-3)
    assert recording.binding_names[int(recording["binding_limit"][-1])] == "current"
    w = POLE_PAIRS * 8400.0 * math.pi / 30.0
    used = math.hypot(RESISTANCE * CURRENT + w * FLUX, w * INDUCTANCE * CURRENT)
    expected = LINK_V / math.sqrt(3.0) - used
    found = float(np.mean(recording["voltage_margin_V"][-50:]))
    source = "Vdc/sqrt 3 less the voltage in use, case from practice"
    verified("voltage margin at 8400 rpm, 20 A, 21 V", source, expected, found, 0.02, "V")
    assert expected == pytest.approx(3.0, abs=0.05)
