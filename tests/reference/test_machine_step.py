"""The machine's exact step over one interval in which the stator voltage is held.

The step of the isotropic machine is the hold equivalent of its complex state equation (G. F. Franklin, J. D. Powell,
M. L. Workman, Digital Control of Dynamic Systems, from memory); the salient one is the matrix exponential of the machine
together with its rotating input (C. Van Loan, IEEE Trans. Autom. Control 23(3), 1978, from memory). Numbers computed apart
from this project; an ODE solver agrees to eight decimals.
"""

import cmath
import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.linalg import expm

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

LINK_V = 4000.0
POINT = "400 Hz, 100 us, stator voltage held"


class Held(Controller):
    """Stator-frame voltages, one an update."""

    def __init__(self, *voltages):
        self.voltages = voltages

    def reset(self, setup):
        self.update = 0

    def step(self, measured):
        v = self.voltages[min(self.update, len(self.voltages) - 1)]
        self.update += 1
        turned = [(v * cmath.rect(1.0, -k * 2.0 * math.pi / 3.0)).real for k in range(3)]
        return Command(*(0.5 + part / LINK_V for part in turned))


def run(machine, tick_s, speed_rpm, current, voltages, angle_deg=0.0, substeps=50, delay=0, ticks=None):
    """=> complex currents id + j iq at every tick, the closing fluxes, and the recording."""
    scenario = scenario_from(
        {
            "machine": {"kind": "constants", "max_current_A": 1000, "max_speed_rpm": 60000, **machine},
            "inverter": {"switching_frequency_Hz": 0.5 / tick_s},
            "supply": {"kind": "source", "voltage_V": LINK_V},
            "load": {"kind": "rig", "speed_rpm": speed_rpm},
            "controller": {"mode": "voltage", "delay_updates": delay},
            "commands": {"vd_V": 0.0},
            "initial": {"id_A": current.real, "iq_A": current.imag, "angle_electrical_deg": angle_deg},
            "run": {"duration_s": (ticks or len(voltages) + 1) * tick_s, "substeps": substeps, "record_every": 1},
        },
        path="step.toml",
    )
    recording = Bench(scenario, controller=Held(*voltages)).run()
    return recording["id_A"] + 1j * recording["iq_A"], recording


def exact(r, l_d, l_q, psi, w, t, current, voltage_dq):
    """Matrix exponential of (id, iq, ud, uq, 1): the held stator voltage turns backwards in the rotor frame."""
    a = np.array(
        [
            [-r / l_d, w * l_q / l_d, 1.0 / l_d, 0.0, 0.0],
            [-w * l_d / l_q, -r / l_q, 0.0, 1.0 / l_q, -w * psi / l_q],
            [0.0, 0.0, 0.0, w, 0.0],
            [0.0, 0.0, -w, 0.0, 0.0],
            [0.0] * 5,
        ]
    )
    x = expm(a * t) @ [current.real, current.imag, voltage_dq.real, voltage_dq.imag, 1.0]
    return complex(x[0], x[1])


@pytest.mark.parametrize(
    ("inductance_d_H", "expected"),
    [(0.5e-3, 32.38100095 + 45.11922907j), (0.2e-3, 66.03913437 + 46.61614850j)],
    ids=["isotropic", "salient"],
)
def test_one_step_with_the_voltage_held_in_the_stator_frame(verified, inductance_d_H, expected):
    # R = 50 mohm, Lq = 0.5 mH, psi = 0.1 Wb, 400 Hz electrical, 100 us, from 10 + 50j A with 20 + 260j V.
    machine = {
        "pole_pairs": 4, "stator_resistance_ohm": 0.05, "inductance_d_H": inductance_d_H, "inductance_q_H": 0.5e-3,
        "magnet_flux_Wb": 0.1,
    }  # fmt: skip
    currents, _ = run(machine, 100e-6, 6000.0, 10 + 50j, [20 + 260j])
    assert currents[0] == pytest.approx(10 + 50j, abs=1e-12)
    assert currents[1] == pytest.approx(expected, abs=2e-8)
    isotropic = inductance_d_H == 0.5e-3
    source = "Franklin, Powell, Workman, hold equivalent [M]" if isotropic else "Van Loan, matrix exponential, 1978 [M]"
    what = f"{{}} current after one step, {'isotropic' if isotropic else 'salient'} machine, {POINT}"
    verified(what.format("d"), source, expected.real, currents[1].real, 2e-8, "A")
    verified(what.format("q"), source, expected.imag, currents[1].imag, 2e-8, "A")


def test_the_complex_hold_equivalent_step_by_step():
    # i+ = Phi i + Gamma u + emf with the printed coefficients: Phi = e^-jwT e^-RT/L and so on.
    r, inductance, psi, w, t = 0.05, 0.5e-3, 0.1, 2.0 * math.pi * 400.0, 100e-6
    decay = math.exp(-r * t / inductance)
    phi = cmath.exp(-1j * w * t) * decay
    gamma = cmath.exp(-1j * w * t) * (1.0 - decay) / r
    emf = -1j * w * psi * (1.0 - decay * cmath.exp(-1j * w * t)) / (r + 1j * w * inductance)
    assert phi == pytest.approx(0.95894560 - 0.24621538j, abs=1e-8)
    assert gamma == pytest.approx(0.19275127 - 0.04949011j, abs=1e-8)
    assert emf == pytest.approx(-6.241679 - 49.491425j, abs=1e-6)
    held = [20 + 260j, -40 + 100j, 150 - 30j, 0j, 60 + 250j]
    machine = {
        "pole_pairs": 4, "stator_resistance_ohm": r, "inductance_d_H": inductance, "inductance_q_H": inductance,
        "magnet_flux_Wb": psi,
    }  # fmt: skip
    currents, _ = run(machine, t, 6000.0, 10 + 50j, held)
    expected = 10 + 50j
    for k, v in enumerate(held):
        expected = phi * expected + gamma * v * cmath.exp(-1j * w * k * t) + emf
        assert currents[k + 1] == pytest.approx(expected, abs=1e-6)


def test_forward_euler_would_be_unstable_where_the_machine_decays(verified):
    # |eigenvalue| of forward Euler at this point 1.021404, exact e^-RT/L = 0.990050.
    r, inductance, w, t = 0.05, 0.5e-3, 2.0 * math.pi * 400.0, 100e-6
    euler = np.eye(2) + t * np.array([[-r / inductance, w], [-w, -r / inductance]])
    assert np.abs(np.linalg.eigvals(euler)) == pytest.approx([1.021404, 1.021404], abs=1e-6)
    machine = {
        "pole_pairs": 4, "stator_resistance_ohm": r, "inductance_d_H": inductance, "inductance_q_H": inductance,
        "magnet_flux_Wb": 1e-9,
    }  # fmt: skip
    currents, _ = run(machine, t, 6000.0, 100 + 0j, [0j], substeps=2, ticks=21)
    ratio = np.abs(currents[1:]) / np.abs(currents[:-1])
    for found in ratio:
        what = "decay of the current vector a step (forward Euler: 1.0214)"
        verified(what, "exp(-R T/L), closed form", 0.990050, found, 1e-6)
    for found in np.angle(currents[1:] / currents[:-1]):
        what = "turn of the current vector a step in the rotor frame"
        verified(what, "-omega T, closed form", math.degrees(-w * t), math.degrees(found), math.degrees(1e-5), "deg")


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    r=st.one_of(st.just(0.0), st.floats(1e-3, 1.0)),
    l_d=st.floats(0.1e-3, 5e-3),
    ratio=st.floats(0.5, 5.0),
    psi=st.floats(0.01, 0.5),
    pole_pairs=st.integers(1, 8),
    speed_rpm=st.floats(-8000.0, 8000.0),
    tick_s=st.sampled_from([20e-6, 50e-6, 125e-6]),
    angle_deg=st.floats(-360.0, 360.0),
    size=st.tuples(*[st.floats(-200.0, 200.0)] * 4),
)
@example(0.0, 1e-3, 1.0, 0.1, 4, 0.0, 50e-6, 0.0, (0.0, 0.0, 0.0, 0.0))
def test_random_machines_follow_the_matrix_exponential(r, l_d, ratio, psi, pole_pairs, speed_rpm, tick_s, angle_deg, size):
    l_q = l_d * ratio
    machine = {
        "pole_pairs": pole_pairs, "stator_resistance_ohm": r, "inductance_d_H": l_d, "inductance_q_H": l_q,
        "magnet_flux_Wb": psi,
    }  # fmt: skip
    current, voltage = complex(size[0], size[1]), complex(size[2], size[3])
    currents, recording = run(machine, tick_s, speed_rpm, current, [voltage, 0.5j * voltage], angle_deg)
    w = pole_pairs * speed_rpm * math.pi / 30.0
    start = math.radians(angle_deg)
    for k, v in enumerate((voltage, 0.5j * voltage)):
        angle = start + w * k * tick_s
        current = exact(r, l_d, l_q, psi, w, tick_s, current, v * cmath.exp(-1j * angle))
        assert currents[k + 1] == pytest.approx(current, rel=2e-7, abs=2e-7)
    # The recorded signals of that row: flux linkages, torque, angle, phase currents (alpha axis on phase a).
    angle = start + w * 2 * tick_s
    psi_d, psi_q = psi + l_d * current.real, l_q * current.imag
    torque = 1.5 * pole_pairs * (psi_d * current.imag - psi_q * current.real)
    assert recording["psi_d_Wb"][2] == pytest.approx(psi_d, rel=1e-6, abs=1e-9)
    assert recording["psi_q_Wb"][2] == pytest.approx(psi_q, rel=1e-6, abs=1e-9)
    assert recording["torque_Nm"][2] == pytest.approx(torque, rel=1e-6, abs=1e-5)
    turned = math.degrees(angle) / pole_pairs - recording["angle_deg"][2]
    assert abs(math.remainder(turned, 360.0)) < 1e-6
    for name, lag in (("ia_A", 0.0), ("ib_A", 2.0 * math.pi / 3.0), ("ic_A", -2.0 * math.pi / 3.0)):
        assert recording[name][2] == pytest.approx((current * cmath.exp(1j * (angle - lag))).real, rel=1e-6, abs=1e-5)


def test_until_the_first_command_acts_the_terminals_are_shorted():
    # Delay of one update: duties of 0.5 in tick 0, the controller's from tick 1 on.
    machine = {
        "pole_pairs": 4, "stator_resistance_ohm": 0.05, "inductance_d_H": 0.2e-3, "inductance_q_H": 0.5e-3,
        "magnet_flux_Wb": 0.1,
    }  # fmt: skip
    currents, recording = run(machine, 50e-6, 3000.0, 10 + 50j, [200 + 100j, 0j], delay=1)
    w = 4 * 3000.0 * math.pi / 30.0
    first = exact(0.05, 0.2e-3, 0.5e-3, 0.1, w, 50e-6, 10 + 50j, 0j)
    second = exact(0.05, 0.2e-3, 0.5e-3, 0.1, w, 50e-6, first, (200 + 100j) * cmath.exp(-1j * w * 50e-6))
    assert currents[1] == pytest.approx(first, abs=1e-7)
    assert currents[2] == pytest.approx(second, abs=1e-7)
    assert recording["duty_a"][0] == recording["duty_b"][0] == recording["duty_c"][0] == 0.5
    assert recording["duty_a"][1] == pytest.approx(0.5 + 200.0 / LINK_V, abs=1e-12)
    assert recording["duty_b"][1] == pytest.approx(0.5 + (-100.0 + 50.0 * math.sqrt(3.0)) / LINK_V, abs=1e-12)


def test_means_of_the_terminal_voltage_over_a_tick(verified):
    # A voltage held in the stator frame turns backwards by w T in the rotor frame: mean = u (1 - e^-jwT)/(jwT).
    machine = {
        "pole_pairs": 4, "stator_resistance_ohm": 0.05, "inductance_d_H": 0.2e-3, "inductance_q_H": 0.5e-3,
        "magnet_flux_Wb": 0.1,
    }  # fmt: skip
    w, t, angle = 4 * 6000.0 * math.pi / 30.0, 100e-6, math.radians(40.0)
    _, recording = run(machine, t, 6000.0, 10 + 50j, [200 + 100j], angle_deg=40.0)
    mean = (200 + 100j) * cmath.exp(-1j * angle) * (1.0 - cmath.exp(-1j * w * t)) / (1j * w * t)
    found = complex(recording["vd_V"][0], recording["vq_V"][0])
    assert found == pytest.approx(mean, abs=1e-7)
    what = "mean dq voltage over a step, held 223.6 V turned by 14.4 deg"
    verified(what, "sin(x)/x, closed form", abs(mean), abs(found), 1e-7, "V")
    assert recording["va_V"][0] == pytest.approx(200.0, abs=1e-7)
    assert recording["vb_V"][0] == pytest.approx(-100.0 + 50.0 * math.sqrt(3.0), abs=1e-7)
    assert recording["vc_V"][0] == pytest.approx(-100.0 - 50.0 * math.sqrt(3.0), abs=1e-7)
