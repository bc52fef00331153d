"""The solver's order of convergence, against scipy's DOP853 (J. R. Dormand, P. J. Prince; E. Hairer, S. P. Norsett, G. Wanner,
Solving Ordinary Differential Equations I, 1993, from memory) at a relative tolerance of 1e-12.

Classical Runge-Kutta has order 4.  The equations below are written out anew from Park's equations, Newton's and Kirchhoff's
laws; nothing of them comes from the code under test.
"""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

HAIRER = "DOP853, Hairer, Norsett, Wanner, 1993 [M]"
P, R, L_D, L_Q, PSI = 4, 0.05, 0.2e-3, 0.6e-3, 0.07
INERTIA, VISCOUS, COULOMB, LOAD = 0.02, 0.01, 2.0, 15.0
SOURCE_V, CAPACITANCE = 400.0, 800e-6
SUPPLY_R = {"stiff": 0.0, "RC": 0.5, "RLC": 0.05}
CHOKE = {"stiff": 0.0, "RC": 0.0, "RLC": 200e-6}


def phase_voltages(duties, link_V):
    """Leg voltages less their mean: the machine's neutral is free."""
    legs = [duty * link_V for duty in duties]
    mean = sum(legs) / 3.0
    return [leg - mean for leg in legs]


def plant(link, duties):
    """=> f(t, [id, iq, omega, theta, link_V, supply_A]) for duties held in the legs."""

    def rate(_, x):
        id_A, iq_A, omega, theta, link_V, supply_A = x
        angle, w = P * theta, P * omega
        va, vb, vc = phase_voltages(duties, link_V)
        shifts = (0.0, 2.0 * math.pi / 3.0, -2.0 * math.pi / 3.0)
        vd = 2.0 / 3.0 * sum(v * math.cos(angle - s) for v, s in zip((va, vb, vc), shifts, strict=True))
        vq = -2.0 / 3.0 * sum(v * math.sin(angle - s) for v, s in zip((va, vb, vc), shifts, strict=True))
        d_id = (vd - R * id_A + w * L_Q * iq_A) / L_D
        d_iq = (vq - R * iq_A - w * (L_D * id_A + PSI)) / L_Q
        torque = 1.5 * P * (PSI * iq_A + (L_D - L_Q) * id_A * iq_A)
        d_omega = (torque - VISCOUS * omega - math.copysign(COULOMB, omega) - LOAD) / INERTIA
        phase_A = [id_A * math.cos(angle - s) - iq_A * math.sin(angle - s) for s in shifts]
        link_A = sum(duty * i for duty, i in zip(duties, phase_A, strict=True))
        if link == "stiff":
            return [d_id, d_iq, d_omega, omega, 0.0, 0.0]
        if link == "RC":
            return [d_id, d_iq, d_omega, omega, ((SOURCE_V - link_V) / SUPPLY_R[link] - link_A) / CAPACITANCE, 0.0]
        d_choke = (SOURCE_V - link_V - SUPPLY_R[link] * supply_A) / CHOKE["RLC"]
        return [d_id, d_iq, d_omega, omega, (supply_A - link_A) / CAPACITANCE, d_choke]

    return rate


def held_duties(count, tick_s, speed_rpm):
    """Legs of a rotating voltage with jumps in size and angle: new values every update."""
    rng = np.random.default_rng(5)
    angle = P * speed_rpm * math.pi / 30.0 * tick_s * np.arange(count) + 0.5 * math.pi + 0.4 * rng.standard_normal(count)
    size = 0.12 + 0.1 * rng.random(count)
    return [
        tuple(0.5 + size[k] * math.cos(angle[k] - s) for s in (0.0, 2 * math.pi / 3, -2 * math.pi / 3)) for k in range(count)
    ]


class Played(Controller):
    """Duties from a list."""

    def __init__(self, duties):
        self.duties = duties

    def reset(self, setup):
        self.update = 0

    def step(self, measured):
        duties = self.duties[self.update]
        self.update += 1
        return Command(*duties)


def bench(link, duties, tick_s, speed_rpm, substeps):
    scenario = scenario_from(
        {
            "machine": {
                "kind": "constants", "pole_pairs": P, "stator_resistance_ohm": R, "inductance_d_H": L_D,
                "inductance_q_H": L_Q, "magnet_flux_Wb": PSI, "max_current_A": 2000, "max_speed_rpm": 20000,
            },
            "inverter": {
                "switching_frequency_Hz": 0.5 / tick_s, "link_capacitance_F": 0.0 if link == "stiff" else CAPACITANCE,
            },
            "supply": {
                "kind": "source", "voltage_V": SOURCE_V, "resistance_ohm": SUPPLY_R[link],
                "inductance_H": CHOKE[link],
            },
            "load": {
                "kind": "free", "inertia_kg_m2": INERTIA, "viscous_Nm_s": VISCOUS, "coulomb_Nm": COULOMB, "torque_Nm": LOAD,
            },
            "controller": {"mode": "voltage", "delay_updates": 0},
            "commands": {"vd_V": 0.0},
            "initial": {"speed_rpm": speed_rpm, "id_A": -20.0, "iq_A": 40.0, "angle_electrical_deg": 30.0},
            "run": {"duration_s": len(duties) * tick_s, "substeps": substeps, "record_every": 1},
        },
        path="solver.toml",
    )  # fmt: skip
    return Bench(scenario, controller=Played(duties)).run()


def second_opinion(link, duties, tick_s, speed_rpm):
    """=> states at every tick, (ticks + 1, 6), each held interval by DOP853."""
    x = np.array([-20.0, 40.0, speed_rpm * math.pi / 30.0, math.radians(30.0) / P, SOURCE_V, 0.0])
    states = [x]
    for held in duties:
        x = solve_ivp(plant(link, held), (0.0, tick_s), x, method="DOP853", rtol=1e-12, atol=1e-10).y[:, -1]
        states.append(x)
    return np.array(states)


def closing_state(recording):
    closing = recording.closing
    return np.array(
        [
            (closing["psi_d_Wb"] - PSI) / L_D, closing["psi_q_Wb"] / L_Q, closing["speed_rpm"] * math.pi / 30.0,
            math.radians(closing["angle_deg"]), closing["link_voltage_V"], closing["supply_inductance_current_A"],
        ]
    )  # fmt: skip


@pytest.mark.parametrize("link", CHOKE)
def test_order_of_convergence_is_four(verified, link):
    tick_s, speed_rpm = 200e-6, 3000.0
    duties = held_duties(20, tick_s, speed_rpm)
    exact = second_opinion(link, duties, tick_s, speed_rpm)[-1]
    scale = np.array([100.0, 100.0, 300.0, 1.0, 400.0, 100.0])
    substeps = [2, 4, 8, 16]
    errors = []
    for n in substeps:
        found = closing_state(bench(link, duties, tick_s, speed_rpm, n))
        difference = found - exact
        difference[3] = math.remainder(difference[3], 2.0 * math.pi)
        errors.append(np.linalg.norm(difference / scale))
    orders = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert orders[-1] == pytest.approx(4.0, abs=0.15), orders
    slope = -np.polyfit(np.log(substeps), np.log(errors), 1)[0]
    verified(f"order of convergence, free shaft, {link} supply", f"classical Runge-Kutta; {HAIRER}", 4.0, slope, 0.15)
    assert errors[-1] < 1e-6


@pytest.mark.parametrize("link", CHOKE)
@pytest.mark.parametrize("speed_rpm", [3000.0, -3000.0])
def test_the_default_steps_follow_it_over_hundreds_of_updates(verified, link, speed_rpm):
    # 10 kHz, two steps a tick of 50 us: the electrical angle moves 0.03 rad a step, the error is of the order of 1e-6.
    tick_s = 50e-6
    duties = held_duties(200, tick_s, speed_rpm)
    recording = bench(link, duties, tick_s, speed_rpm, 2)
    exact = second_opinion(link, duties, tick_s, speed_rpm)[:-1]
    assert recording["id_A"] == pytest.approx(exact[:, 0], abs=5e-4)
    assert recording["iq_A"] == pytest.approx(exact[:, 1], abs=5e-4)
    assert recording["speed_rpm"] == pytest.approx(exact[:, 2] * 30.0 / math.pi, abs=1e-4)
    turned = recording["angle_deg"] - np.degrees(exact[:, 3])
    assert np.abs(turned - 360.0 * np.round(turned / 360.0)).max() < 1e-5
    assert recording["link_voltage_V"] == pytest.approx(exact[:, 4], abs=1e-3)
    torque = 1.5 * P * (PSI * exact[:, 1] + (L_D - L_Q) * exact[:, 0] * exact[:, 1])
    assert recording["torque_Nm"] == pytest.approx(torque, abs=5e-4)
    if link == "RLC" and speed_rpm > 0.0:
        at = "after 10 ms of random voltages, free shaft, RLC supply, steps of 25 us"
        verified(f"d current {at}", HAIRER, exact[-1, 0], recording["id_A"][-1], 5e-4, "A")
        verified(f"q current {at}", HAIRER, exact[-1, 1], recording["iq_A"][-1], 5e-4, "A")
        verified(f"torque {at}", HAIRER, torque[-1], recording["torque_Nm"][-1], 5e-4, "Nm")
        verified(f"speed {at}", HAIRER, exact[-1, 2] * 30.0 / math.pi, recording["speed_rpm"][-1], 1e-4, "rpm")
        verified(f"link voltage {at}", HAIRER, exact[-1, 4], recording["link_voltage_V"][-1], 1e-3, "V")
    # The disturbances are real: currents of more than 100 A, and the link moves.
    assert np.abs(exact[:, :2]).max() > 100.0
    assert link == "stiff" or np.ptp(exact[:, 4]) > 1.0


def test_means_and_energies_of_a_row_are_integrals_of_the_same_solution():
    # Integrals of the tick by Simpson over a dense scipy solution, against the recorded means.
    tick_s, link = 50e-6, "RLC"
    duties = held_duties(60, tick_s, 3000.0)
    recording = bench(link, duties, tick_s, 3000.0, 8)
    states = second_opinion(link, duties, tick_s, 3000.0)
    for k in (0, 7, 31, 59):
        rate = plant(link, duties[k])
        times = np.linspace(0.0, tick_s, 41)
        x = solve_ivp(rate, (0.0, tick_s), states[k], method="DOP853", rtol=1e-12, atol=1e-10, t_eval=times).y
        weights = np.array([1.0] + [4.0, 2.0] * 19 + [4.0, 1.0]) / (3.0 * 40.0)
        id_A, iq_A, omega, theta, link_V, supply_A = x
        angle = P * theta
        phases = [(id_A * np.cos(angle - s) - iq_A * np.sin(angle - s)) for s in (0.0, 2 * np.pi / 3, -2 * np.pi / 3)]
        link_A = sum(duty * i for duty, i in zip(duties[k], phases, strict=True))
        va, vb, vc = (np.array(v) for v in phase_voltages(duties[k], link_V))
        torque = 1.5 * P * (PSI * iq_A + (L_D - L_Q) * id_A * iq_A)
        expected = {
            "va_V": va, "vb_V": vb, "vc_V": vc, "link_current_A": link_A, "supply_current_A": supply_A,
            "power_link_W": link_A * link_V, "power_terminal_W": va * phases[0] + vb * phases[1] + vc * phases[2],
            "power_shaft_W": torque * omega, "loss_copper_W": 1.5 * R * (id_A**2 + iq_A**2),
            "power_supply_W": SOURCE_V * supply_A,
            "vd_V": 2.0 / 3.0 * (va * np.cos(angle) + vb * np.cos(angle - 2 * np.pi / 3) + vc * np.cos(angle + 2 * np.pi / 3)),
            "loss_friction_W": VISCOUS * omega**2 + COULOMB * np.abs(omega),
        }  # fmt: skip
        for name, values in expected.items():
            mean = float(weights @ values)
            assert recording[name][k] == pytest.approx(mean, rel=1e-7, abs=1e-5), name
