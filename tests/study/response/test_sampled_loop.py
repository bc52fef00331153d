"""The exact sampled drive against references: hold equivalent in the turning frame, sampled loops, python-control."""

import control
import numpy as np
import pytest
from response_drives import drive
from scipy.linalg import expm

from simcore.study.response.continuous import Places, flow_of
from simcore.study.response.cuts import Loci, one_axis, open_axes
from simcore.study.response.sampled import sampled_system

HOLD = "Franklin, Powell, Workman, hold equivalent [M]"
F = np.array([20.0, 150.0, 700.0, 2400.0, 4700.0])


def after_a_period(one, update_s, current, voltage):
    """(drive, period, (d, q) current above the magnet's part, held voltage) => flux linkages after it (2,)."""
    at = Places(one)
    state = np.zeros(at.continuous + 1)
    state[at.flux] = one.winding.inductance_H @ np.array(current)
    state[at.held] = voltage
    return (expm(flow_of(one, at) * update_s) @ state)[at.flux]


def test_hold_of_an_isotropic_machine(verified):
    # R = 0.05 ohm, L = 0.5 mH, 400 Hz electrical, 100 us: Phi and Gamma of i[k+1] = Phi i[k] + Gamma u[k] in closed form.
    one = drive(R=0.05, omega_e=2 * np.pi * 400.0)
    phi = after_a_period(one, 1e-4, (1.0, 0.0), (0.0, 0.0)) / 0.5e-3
    gamma = after_a_period(one, 1e-4, (0.0, 0.0), (1.0, 0.0)) / 0.5e-3
    for found, expected, what in ((phi, 0.95894560 - 0.24621538j, "current"), (gamma, 0.19275127 - 0.04949011j, "voltage")):
        verified(f"hold equivalent at 400 Hz, 100 us, part of the {what}, d", HOLD, expected.real, found[0], 1e-8)
        verified(f"hold equivalent at 400 Hz, 100 us, part of the {what}, q", HOLD, expected.imag, found[1], 1e-8)


def test_hold_of_a_salient_machine(verified):
    # The current after one step from 10 + 50j A with 20 + 260j V, psi = 0.1 Wb; the magnet is no part of a deviation.
    one = drive(R=0.05, Ld=0.2e-3, Lq=0.5e-3, omega_e=2 * np.pi * 400.0)
    at = Places(one)
    flow = flow_of(one, at)
    # The magnet's own: d psi/dt = R psi_m / Ld along d, since i = (psi - psi_m)/L.
    augmented = np.zeros((len(flow) + 1, len(flow) + 1))
    augmented[:-1, :-1] = flow
    augmented[0, -1] = 0.05 * 0.1 / 0.2e-3
    state = np.zeros(len(augmented))
    state[at.flux], state[at.held], state[-1] = (0.2e-3 * 10 + 0.1, 0.5e-3 * 50), (20.0, 260.0), 1.0
    psi = (expm(augmented * 1e-4) @ state)[at.flux]
    source = "matrix exponential of the five-state system, Van Loan, 1978 [M]"
    what = "current after one step, salient machine, the prediction's states"
    verified(f"d {what}", source, 66.03913437, (psi[0] - 0.1) / 0.2e-3, 1e-7, "A")
    verified(f"q {what}", source, 46.61614850, psi[1] / 0.5e-3, 1e-7, "A")


@pytest.mark.parametrize("delay", [0, 1, 2, 3])
@pytest.mark.parametrize("axis", [0, 1])
def test_loop_at_rest_is_the_textbook_one(axis, delay):
    # kp T/L = K without resistance: K/(z^delay (z - 1)).
    loop = open_axes(drive(K=0.3, delay=delay, Lq=0.9e-3))(F)
    z = np.exp(2j * np.pi * F * 1e-4)
    assert one_axis(loop, axis) == pytest.approx(0.3 / (z**delay * (z - 1.0)), rel=1e-12)


def test_at_speed_the_frame_turns_the_stators_response():
    """In the stator frame an isotropic machine is a scalar: its held response at f + fe is the rotor frame's at f."""
    omega_e, R, L, T = 2 * np.pi * 310.0, 0.08, 0.5e-3, 1e-4
    one = drive(R=R, omega_e=omega_e, decoupling=False, advance=False)
    plant = control.sample_system(control.tf([1.0], [L, R]), T, method="zoh")
    z = np.exp(2j * np.pi * F * T)
    turned = z * np.exp(1j * omega_e * T)
    kp, ki = one.current.kp[0], one.current.ki[0]
    # The command of a sample acts one period later: a delay in the stator frame, where it is held.
    expected = plant(turned) / turned * (kp + ki * T / (z - 1.0))
    axes = open_axes(one)(F)
    assert axes[:, 0, 0] + 1j * axes[:, 1, 0] == pytest.approx(expected, rel=1e-9)


def test_the_filter_at_speed_is_a_filter_in_the_stator():
    omega_e, R, L, T, w = 2 * np.pi * 310.0, 0.08, 0.5e-3, 1e-4, 2 * np.pi * 900.0
    one = drive(R=R, omega_e=omega_e, decoupling=False, advance=False, filter_rad_s=w)
    plant = control.sample_system(control.tf([1.0], [L, R]) * control.tf([w], [1.0, w]), T, method="zoh")
    z = np.exp(2j * np.pi * F * T)
    turned = z * np.exp(1j * omega_e * T)
    expected = plant(turned) / turned * (one.current.kp[0] + one.current.ki[0] * T / (z - 1.0))
    axes = open_axes(one)(F)
    assert axes[:, 0, 0] + 1j * axes[:, 1, 0] == pytest.approx(expected, rel=1e-9)


def test_a_late_sample_sees_what_the_voltage_did_meanwhile():
    # Without resistance the current after the shift has grown by u shift/L: K (1 - s + s z)/(z (z - 1)) with s = shift/T.
    s = 0.3
    z = np.exp(2j * np.pi * F * 1e-4)
    expected = 0.25 * (1.0 - s + s * z) / (z * (z - 1.0))
    assert open_axes(drive(K=0.25, shift_s=s * 1e-4))(F)[:, 1, 1] == pytest.approx(expected, rel=1e-12)


def test_one_axis_with_the_other_closed_is_the_closed_loop_opened_again():
    one = drive(R=0.05, Ld=0.2e-3, omega_e=2 * np.pi * 400.0)
    closed = sampled_system(one).response(F, ("id_measured",), ("id",))[:, 0, 0]
    assert one_axis(open_axes(one)(F), 0) == pytest.approx(closed / (1.0 - closed), rel=1e-9)


def test_loci_of_alike_axes_are_the_complex_vectors_loop():
    one = drive(R=0.05, omega_e=2 * np.pi * 700.0)
    axes = open_axes(one)
    matrix = axes(F)
    vector = {sign: matrix[:, 0, 0] + sign * 1j * matrix[:, 1, 0] for sign in (1, -1)}
    loci = Loci(axes, 1e-4)
    found = np.stack([loci.branch(0)(F), loci.branch(1)(F)])
    expected = np.stack([vector[1], vector[-1]])
    assert min(np.abs(found - expected).max(), np.abs(found[::-1] - expected).max()) < 1e-9


def test_speed_loop_by_python_control(make_scenario):
    """Surface magnets at standstill: (iq, speed) with its EMF held exactly, one update of delay, both controllers."""
    from simcore.study.response.built_in import BuiltIn
    from simcore.study.response.cuts import speed_cut
    from simcore.study.response.drive_at import linear_drive
    from simcore.study.response.point import at_time

    R, L, psi, p, J, B, T = 0.05, 0.4e-3, 0.07, 4, 0.02, 0.01, 50e-6
    scenario = make_scenario(
        machine={"stator_resistance_ohm": R, "inductance_d_H": L, "inductance_q_H": L, "magnet_flux_Wb": psi},
        load={"replace": True, "kind": "free", "inertia_kg_m2": J, "viscous_Nm_s": B},
        controller={"mode": "speed", "tuning": {"current_bandwidth_Hz": 600, "speed_bandwidth_Hz": 60}},
        commands={"replace": True, "speed_rpm": 0.0},
    )
    built_in = BuiltIn(scenario)
    found = speed_cut(linear_drive(scenario, built_in, at_time(scenario, built_in), with_speed=True))(F)
    plant = control.ss([[-R / L, -p * psi / L], [1.5 * p * psi / J, -B / J]], [[1.0 / L], [0.0]], np.eye(2), 0)
    held = control.sample_system(plant, T, method="zoh")
    z = np.exp(2j * np.pi * F * T)
    wc, w = 2 * np.pi * 600.0, 2 * np.pi * 60.0
    current_pi = wc * L + wc * R * T / (z - 1.0)
    response = held(z)
    iq, speed = response[0, 0] / z, response[1, 0] / z
    # u = C_i (iq* - iq) + p psi speed (the decoupling's EMF), iq* = T*/(1.5 p psi)
    driven = speed * current_pi / (1.5 * p * psi) / (1.0 + current_pi * iq - p * psi * speed)
    expected = (w * J + w * w * J / 4.0 * T / (z - 1.0)) * driven
    assert found == pytest.approx(expected, rel=1e-6)
