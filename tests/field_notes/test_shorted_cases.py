"""All phases tied to one rail while the machine turns.  Cases from practice; closed forms and matrix exponentials derived here.

Equal duties make the short: a controller that wraps the built-in one and stops modulating.
"""

import math

import numpy as np
import pytest
from field_case import run_case
from scipy.linalg import expm

from controllers import Command, Controller
from controllers.foc import FieldOrientedController

R, LD, LQ, PSI, P = 0.01, 0.2e-3, 0.6e-3, 0.07, 4
SALIENT = {"stator_resistance_ohm": R, "inductance_d_H": LD, "inductance_q_H": LQ, "magnet_flux_Wb": PSI, "max_current_A": 400}
CHARACTERISTIC_A = PSI / LD  # 350 A


class ShortAt(Controller):
    """The built-in controller until at_s, then all duties zero."""

    def __init__(self, at_s):
        self.at_s, self.inner = at_s, FieldOrientedController()

    def reset(self, setup):
        self.inner.reset(setup)

    def step(self, measured):
        answer = self.inner.step(measured)
        return answer if measured.time_s < self.at_s - 1e-9 else Command(0.0, 0.0, 0.0)


def shorted(speed_rpm, at_s=0.1, duration_s=0.4, iq_A=0.0, record_every=1):
    return run_case(
        ShortAt(at_s),
        machine=SALIENT,
        load={"kind": "rig", "speed_rpm": speed_rpm},
        commands={"id_A": 0.0, "iq_A": iq_A},
        run={"duration_s": duration_s, "substeps": 4, "record_every": record_every},
    )


def steady(speed_rpm):
    """=> id, iq [A], torque [Nm] of terminals shorted for long."""
    w = P * speed_rpm * math.pi / 30.0
    id_A, iq_A = np.linalg.solve([[R, -w * LQ], [w * LD, R]], [0.0, -w * PSI])
    return id_A, iq_A, 1.5 * P * (PSI + (LD - LQ) * id_A) * iq_A


def test_the_current_decays_to_the_characteristic_current(verified):
    """Shorted at speed: the current swings and decays to psi/Ld = 350 A, whatever the speed once w Lq >> R."""
    for speed_rpm in (1500.0, 2500.0):
        recording = shorted(speed_rpm)
        size = np.hypot(recording["id_A"], recording["iq_A"])[-1]
        what = f"current of phases shorted for 0.3 s at {speed_rpm:g} rpm"
        verified(what, "characteristic current psi/Ld, case from practice", CHARACTERISTIC_A, size, 3.5, "A")
        assert recording["id_A"][-1] == pytest.approx(steady(speed_rpm)[0], rel=1e-3)


def test_braking_torque_peaks_at_low_speed():
    """Braking torque of shorted phases: 93.4 Nm at 101 rpm, small at high speed, as the closed form says."""
    found = {}
    for speed_rpm in (50.0, 101.16, 300.0, 1000.0, 2500.0):
        recording = shorted(speed_rpm, at_s=0.01, duration_s=0.8, record_every=4)
        found[speed_rpm] = recording["torque_Nm"][-1]
        assert found[speed_rpm] == pytest.approx(steady(speed_rpm)[2], rel=1e-3)
    assert min(found, key=found.get) == 101.16
    assert found[101.16] == pytest.approx(-93.435, abs=0.01)
    assert abs(found[2500.0]) < 0.1 * abs(found[101.16])


def test_the_entry_transient_comes_close_to_twice_the_steady_current():
    """From no load the current swings to nearly 2 psi/Ld = 700 A before it settles at 350 A; 2500 rpm, 10 mohm: by expm."""
    speed_rpm, at_s = 2500.0, 0.1
    recording = shorted(speed_rpm, at_s=at_s, duration_s=0.15)
    w = P * speed_rpm * math.pi / 30.0
    # d/dt (psi_d, psi_q, 1) with v = 0 and id = (psi_d - psi)/Ld.
    a = np.array([[-R / LD, w, R * PSI / LD], [-w, -R / LQ, 0.0], [0.0, 0.0, 0.0]])
    start = np.array([recording["psi_d_Wb"][2001], recording["psi_q_Wb"][2001], 1.0])
    assert recording.time_s[2001] == pytest.approx(at_s + 50e-6)  # the command acts one update later
    ahead = [((expm(a * k * 50e-6) @ start)[0] - PSI) / LD for k in range(200)]
    assert recording["id_A"][2001:2201] == pytest.approx(ahead, abs=0.01)
    assert recording["id_A"].min() == pytest.approx(min(ahead), abs=0.01)
    assert 1.75 * CHARACTERISTIC_A < -recording["id_A"].min() < 2.0 * CHARACTERISTIC_A
