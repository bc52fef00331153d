"""Operating points reached by running the loop: least current, base speed, field weakening, MTPV, shorted terminals.

Sources, from memory: S. Morimoto, Y. Takeda, T. Hirasa, K. Taniguchi, IEEE Trans. Ind. Appl. 26(5), 1990, 866-871 (MTPA and
MTPV); B. A. Welchko, T. M. Jahns, W. L. Soong, J. M. Nagashima, IEEE Trans. Energy Convers. 18(2), 2003, 291-298 (shorted
terminals; the closed form for a salient machine is derived). Machines: A of S. Morimoto, M. Sanada, Y. Takeda, IEEE Trans.
Ind. Appl. 30(4), 1994, 920-926 (could not be confirmed), B of R. Krishnan's textbook, D and E invented. Worked values computed
from the formulas and by brute force, apart from this project.
"""

import functools
import math

import numpy as np
import pytest
from scipy.optimize import brentq
from shared_benches import SHORTED

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

MORIMOTO = "Morimoto et al., IEEE TIA 26, 1990 [M]"
WELCHKO = "Welchko et al., IEEE TEC 18, 2003 [M]"
NONE, CURRENT, VOLTAGE, VOLTAGE_AND_CURRENT, MTPV = 0, 1, 2, 3, 4
# pole pairs, R [ohm], Ld, Lq [H], magnet flux [Wb], greatest current [A peak], greatest phase voltage [V peak]
MACHINES = {
    "A": (2, 0.57, 8.72e-3, 22.8e-3, 0.1077 * math.sqrt(2.0 / 3.0), 5.0 * math.sqrt(2.0), 50.0 * math.sqrt(2.0)),
    "B": (3, 1.4, 5.6e-3, 9.0e-3, 0.1546, 10.0, 285.0 / math.sqrt(3.0)),
    "D": (4, 0.01, 0.25e-3, 0.25e-3, 0.06, 300.0, 400.0 / math.sqrt(3.0)),
    "E": (4, 0.01, 0.2e-3, 0.6e-3, 0.07, 400.0, 400.0 / math.sqrt(3.0)),
}
TOP = {"A": 2.531457, "B": 7.116274, "D": 108.0, "E": 318.745878}


def scenario(name, speed_rpm, *, lossless=False, switching_Hz=10000, duration_s=0.05, mode="voltage", commands=None,
             tuning=None, initial=None, substeps=2):  # fmt: skip
    p, r, l_d, l_q, psi, max_A, max_V = MACHINES[name]
    return scenario_from(
        {
            "machine": {
                "kind": "constants", "pole_pairs": p, "stator_resistance_ohm": 0.0 if lossless else r, "inductance_d_H": l_d,
                "inductance_q_H": l_q, "magnet_flux_Wb": psi, "max_current_A": max_A, "max_speed_rpm": 40000,
            },
            "inverter": {"switching_frequency_Hz": switching_Hz},
            "supply": {"kind": "source", "voltage_V": max_V * math.sqrt(3.0)},
            "load": {"kind": "rig", "speed_rpm": speed_rpm},
            "controller": {"mode": mode, "tuning": tuning or {}},
            "commands": commands or {"vd_V": 0.0},
            "initial": initial or {},
            "run": {"duration_s": duration_s, "substeps": substeps, "record_every": 1},
        },
        path="point.toml",
    )  # fmt: skip


@functools.cache
def settled(name, speed_rpm, torque_Nm, lossless=False, voltage_use=1.0):
    """=> id, iq [A], torque [Nm], binding limit, margin [V] of torque mode in steady state, at 50 kHz."""
    recording = Bench(
        scenario(
            name, speed_rpm, lossless=lossless, switching_Hz=50000, duration_s=0.06, mode="torque",
            commands={"torque_Nm": torque_Nm}, tuning={"current_bandwidth_Hz": 800, "voltage_use": voltage_use},
        )
    ).run()  # fmt: skip
    last = slice(-400, None)
    assert np.ptp(recording["torque_Nm"][last]) < 1e-4 * TOP[name], "not settled"
    codes = set(recording["binding_limit"][last])
    assert len(codes) == 1
    return (*(recording[s][last].mean() for s in ("id_A", "iq_A", "torque_Nm")), codes.pop(), recording["voltage_margin_V"][-1])


def near(name, found, id_A, iq_A, torque_Nm):
    """Lookup of references: within 2e-3 of the greatest current and 1e-3 of the greatest torque."""
    assert found[:2] == pytest.approx((id_A, iq_A), abs=2e-3 * MACHINES[name][5])
    assert found[2] == pytest.approx(torque_Nm, abs=1e-3 * TOP[name])


@pytest.mark.parametrize(
    ("name", "id_A", "iq_A", "torque_Nm"),
    [
        ("A", -3.676744, 6.039996, 2.531457),
        ("B", -2.019787, 9.793899, 7.116274),
        ("D", 0.0, 300.0, 108.0),
        ("E", -242.456329, 318.142938, 318.745878),
    ],
)
@pytest.mark.parametrize("torque_sign", [1, -1])
@pytest.mark.parametrize("direction", [1, -1])
def test_most_torque_at_the_greatest_current(verified, name, id_A, iq_A, torque_Nm, torque_sign, direction):
    found = settled(name, direction * 50.0, torque_sign * 3.0 * TOP[name])
    near(name, found, id_A, torque_sign * iq_A, torque_sign * torque_Nm)
    what = f"greatest torque at the greatest current, in closed loop, machine {name}"
    verified(what, MORIMOTO, torque_Nm, torque_sign * found[2], 1e-3 * TOP[name], "Nm")
    assert math.hypot(found[0], found[1]) == pytest.approx(MACHINES[name][5], rel=1e-5)
    assert found[3] == CURRENT


@pytest.mark.parametrize("name", MACHINES)
@pytest.mark.parametrize("share", [0.1, 0.6])
def test_least_current_for_a_torque_below_the_limits(name, share):
    # The published formula of MTPA, id(I), solved for the torque asked.
    p, _, l_d, l_q, psi, max_A, _ = MACHINES[name]
    saliency = l_q - l_d

    def point(current):
        if saliency == 0.0:
            return 0.0, current
        id_A = (psi - math.sqrt(psi**2 + 8.0 * (saliency * current) ** 2)) / (4.0 * saliency)
        return id_A, math.sqrt(current**2 - id_A**2)

    def torque(current):
        id_A, iq_A = point(current)
        return 1.5 * p * (psi - saliency * id_A) * iq_A

    current = brentq(lambda i: torque(i) - share * TOP[name], 1e-6, max_A)
    found = settled(name, 50.0, share * TOP[name])
    near(name, found, *point(current), share * TOP[name])
    assert found[2] == pytest.approx(share * TOP[name], rel=1e-5)
    assert math.hypot(*found[:2]) == pytest.approx(current, rel=2e-4)
    assert found[3] == NONE


def test_a_power_invariant_flux_must_be_converted(verified):
    # Machine A is printed in power-invariant scaling: T = p psi' iq' with iq' = sqrt(3/2) iq. Unconverted: 22.5 % too much.
    p, _, _, _, psi, max_A, _ = MACHINES["A"]
    recording = Bench(scenario("A", 50.0, mode="current", commands={"iq_A": max_A}, tuning={"current_bandwidth_Hz": 500})).run()
    expected = p * 0.1077 * math.sqrt(1.5) * max_A
    source = "p psi iq in power-invariant scaling, Morimoto et al., 1994 [M]"
    what = "magnet torque of machine A at iq = 7.07 A, as its power-invariant figures say"
    verified(what, source, expected, recording["torque_Nm"][-1], 1e-5 * expected, "Nm")
    assert 1.5 * p * 0.1077 * max_A / recording["torque_Nm"][-1] == pytest.approx(1.225, abs=5e-4)


def on_current_circle(name, speed_rpm, lossless):
    """Brute force: the point of the current circle whose terminal voltage is the greatest one, on the flux-weakening side."""
    p, r, l_d, l_q, psi, max_A, max_V = MACHINES[name]
    r = 0.0 if lossless else r
    w = p * speed_rpm * math.pi / 30.0

    def volts(angle):
        id_A, iq_A = max_A * math.cos(angle), max_A * math.sin(angle)
        return math.hypot(r * id_A - w * l_q * iq_A, r * iq_A + w * (psi + l_d * id_A)) - max_V

    angle = brentq(volts, 0.5 * math.pi, math.pi - 1e-9)
    id_A, iq_A = max_A * math.cos(angle), max_A * math.sin(angle)
    return id_A, iq_A, 1.5 * p * (psi + (l_d - l_q) * id_A) * iq_A


@pytest.mark.parametrize(
    ("name", "base_rpm", "lossless"),
    [
        ("A", 2271.755, True),
        ("D", 5740.207, True),
        ("E", 2870.104, True),
        ("A", 2166.467, False),
        ("D", 5693.330, False),
        ("E", 2835.509, False),
    ],
)
def test_base_speed_with_and_without_resistance(name, base_rpm, lossless):
    below = settled(name, 0.99 * base_rpm, 3.0 * TOP[name], lossless)
    above = settled(name, 1.05 * base_rpm, 3.0 * TOP[name], lossless)
    assert below[2] == pytest.approx(TOP[name], rel=1e-4)
    assert (below[3], above[3]) == (CURRENT, VOLTAGE_AND_CURRENT)
    # Below, 1 % of speed is left: all but the resistive part of the voltage grows with it.
    assert 0.0 < below[4] < 0.0105 * MACHINES[name][6]
    weakened = on_current_circle(name, 1.05 * base_rpm, lossless)
    assert above[:2] == pytest.approx(weakened[:2], abs=2e-3 * MACHINES[name][5])
    assert above[2] == pytest.approx(weakened[2], abs=2e-4 * TOP[name])
    assert above[2] < 0.9995 * below[2]


@pytest.mark.parametrize(
    ("name", "base_rpm", "id_A", "iq_A", "torque_Nm"),
    [
        ("A", 2271.755, -6.429049, 2.944032, 1.576155),
        ("D", 5740.207, -230.625000, 191.864821, 69.071335),
        ("E", 2870.104, -366.613787, 159.982284, 207.956666),
    ],
)
@pytest.mark.parametrize(("torque_sign", "direction"), [(1, 1), (-1, 1), (1, -1), (-1, -1)])
def test_twice_base_speed_on_the_current_limit(verified, name, base_rpm, id_A, iq_A, torque_Nm, torque_sign, direction):
    found = settled(name, direction * 2.0 * base_rpm, torque_sign * 3.0 * TOP[name], True)
    what = f"{{}} at twice base speed on the current limit, in closed loop, machine {name}"
    source = "current and voltage circle, closed form"
    slack_A, slack_Nm = 2e-3 * MACHINES[name][5], 1e-3 * TOP[name]
    verified(what.format("d current"), source, id_A, found[0], slack_A, "A", row=name == "E")
    assert torque_sign * found[1] == pytest.approx(iq_A, abs=slack_A)
    verified(what.format("torque"), source, torque_Nm, torque_sign * found[2], slack_Nm, "Nm")
    assert found[3] == VOLTAGE_AND_CURRENT


@pytest.mark.parametrize("direction", [1, -1])
def test_weakened_field_at_less_than_the_greatest_torque(verified, direction):
    # E at 9000 rpm, 100 Nm: least current under the voltage limit lies on the flux circle (two equations, solved here).
    p, _, l_d, l_q, psi, _, max_V = MACHINES["E"]
    flux = max_V / (p * 9000.0 * math.pi / 30.0)

    def torque(psi_d):
        psi_q = math.sqrt(flux**2 - psi_d**2)
        return 1.5 * p * (psi_d * psi_q / l_q - psi_q * (psi_d - psi) / l_d)

    psi_d = brentq(lambda x: torque(x) - 100.0, 0.0, flux)
    found = settled("E", direction * 9000.0, 100.0, True)
    near("E", found, (psi_d - psi) / l_d, math.sqrt(flux**2 - psi_d**2) / l_q, 100.0)
    what = "d current for 100 Nm at 9000 rpm, in closed loop, machine E"
    verified(what, "flux circle, solved independently", (psi_d - psi) / l_d, found[0], 2e-3 * MACHINES["E"][5], "A")
    assert found[2] == pytest.approx(100.0, rel=1e-4)
    assert found[3] == VOLTAGE


@pytest.mark.parametrize(
    ("name", "speed_rpm", "torque_Nm"),
    # D: w_e 5132.0024 rad/s, id = -psi/L = -240 A, iq = 180 A, so 1.5 x 4 x 0.06 x 180 = 64.8 Nm.
    [("D", 5132.0024 / 4.0 * 30.0 / math.pi, 64.8), ("E", 16300.13, 74.34062)],
)
def test_where_maximum_torque_per_volt_begins(verified, name, speed_rpm, torque_Nm):
    asked = 3.0 * TOP[name]
    found = settled(name, speed_rpm, asked, True)[2]
    what = f"torque where maximum torque per volt begins, {speed_rpm:.0f} rpm, in closed loop, machine {name}"
    verified(what, MORIMOTO, torque_Nm, found, 1e-3 * TOP[name], "Nm")
    below, above = settled(name, 0.95 * speed_rpm, asked, True), settled(name, 1.05 * speed_rpm, asked, True)
    assert (below[3], above[3]) == (VOLTAGE_AND_CURRENT, MTPV)
    near(name, below, *on_current_circle(name, 0.95 * speed_rpm, True))
    assert math.hypot(*above[:2]) < 0.999 * MACHINES[name][5]


@pytest.mark.parametrize("name", ["D", "E"])
@pytest.mark.parametrize(("torque_sign", "direction"), [(1, 1), (-1, -1)])
def test_beyond_it_the_published_flux_split_holds(verified, name, torque_sign, direction):
    # lam_d = (Lq psi - sqrt((Lq psi)^2 + 8 (Lq - Ld)^2 L0^2)) / (4 (Lq - Ld)), Morimoto 1990; 0 without saliency.
    p, _, l_d, l_q, psi, _, max_V = MACHINES[name]
    speed_rpm = {"D": 18000.0, "E": 24000.0}[name]
    flux = max_V / (p * speed_rpm * math.pi / 30.0)
    saliency = l_q - l_d
    lam_d = 0.0
    if saliency > 0.0:
        lam_d = (l_q * psi - math.sqrt((l_q * psi) ** 2 + 8.0 * (saliency * flux) ** 2)) / (4.0 * saliency)
    id_A, iq_A = (lam_d - psi) / l_d, math.sqrt(flux**2 - lam_d**2) / l_q
    torque = 1.5 * p * (lam_d * iq_A - l_q * iq_A * id_A)
    found = settled(name, direction * speed_rpm, torque_sign * 3.0 * TOP[name], True)
    near(name, found, id_A, torque_sign * iq_A, torque_sign * torque)
    what = f"torque on the maximum torque per volt curve at {speed_rpm:.0f} rpm, in closed loop, machine {name}"
    verified(what, MORIMOTO, torque, torque_sign * found[2], 1e-3 * TOP[name], "Nm", row=name == "E")
    assert found[3] == MTPV


def test_finite_speed_limit_of_machine_a():
    # psi/Ld = 10.084482 A is above the current limit: w = Vmax/(psi - Ld Imax), 12848.46 rpm, and no torque there.
    assert MACHINES["A"][4] / MACHINES["A"][2] == pytest.approx(10.084482, abs=1e-6)
    at_limit = settled("A", 12848.46, 3.0 * TOP["A"], True)
    assert at_limit[0] == pytest.approx(-7.07107, rel=1e-4)
    assert abs(at_limit[2]) < 0.003 * TOP["A"]
    below = settled("A", 0.95 * 12848.46, 3.0 * TOP["A"], True)
    near("A", below, *on_current_circle("A", 0.95 * 12848.46, True))
    assert below[3] == VOLTAGE_AND_CURRENT


def test_what_binds_on_the_way_up():
    asked = [(500.0, 50.0), (500.0, 1000.0), (9000.0, 50.0), (9000.0, 1000.0), (20000.0, 1000.0)]
    codes = [settled("E", speed, torque)[3] for speed, torque in asked]
    assert codes == [NONE, CURRENT, VOLTAGE, VOLTAGE_AND_CURRENT, MTPV]


def test_the_steady_reference_leaves_five_percent_of_the_voltage_unless_told():
    # Default voltage_use = 0.95: base speed lossless moves to 0.95 of it, the rest stays margin.
    found = settled("E", 2.0 * 2870.104, 1000.0, True, 0.95)
    p, _, l_d, l_q, psi, _, max_V = MACHINES["E"]
    volts = p * 2.0 * 2870.104 * math.pi / 30.0 * math.hypot(psi + l_d * found[0], l_q * found[1])
    assert volts == pytest.approx(0.95 * max_V, rel=2e-3)
    assert found[4] == pytest.approx(0.05 * max_V, rel=0.05)


class Legs(Controller):
    """All three legs at one duty: the machine's terminals are shorted."""

    def __init__(self, duty):
        self.duty = duty

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(self.duty, self.duty, self.duty)


@pytest.mark.parametrize(("name", "speed_rpm", "id_A", "iq_A", "torque_Nm"), SHORTED)
@pytest.mark.parametrize("direction", [1, -1])
def test_steady_short_circuit(verified, name, speed_rpm, id_A, iq_A, torque_Nm, direction):
    p, r, l_d, l_q, psi, _, _ = MACHINES[name]
    duration = 12.0 * 2.0 / (r / l_d + r / l_q) + 0.2
    recording = Bench(scenario(name, direction * speed_rpm, duration_s=duration)).run()
    found = [recording[s][-1] for s in ("id_A", "iq_A", "torque_Nm")]
    if id_A is not None:
        what = f"{{}} current of shorted terminals at {speed_rpm:.0f} rpm, machine {name}"
        source = f"closed form after {WELCHKO}"
        verified(what.format("d"), source, id_A, found[0], max(1e-4 * abs(id_A), 2e-5), "A", row=name in "AE")
        verified(what.format("q"), source, iq_A, direction * found[1], max(1e-4 * abs(iq_A), 2e-5), "A", row=name == "E")
        # T = -1.5 p psi^2 w R (R^2 + w^2 Lq^2)/D^2
        w = p * speed_rpm * math.pi / 30.0
        d = r**2 + w**2 * l_d * l_q
        torque_Nm = -1.5 * p * psi**2 * w * r * (r**2 + w**2 * l_q**2) / d**2
        assert found[2] == pytest.approx(direction * torque_Nm, rel=1e-4)
    else:
        what = f"greatest braking torque of shorted terminals, {speed_rpm:.1f} rpm, machine {name}"
        verified(what, "closed form, derived", torque_Nm, direction * found[2], 1e-4 * abs(torque_Nm), "Nm")


@pytest.mark.parametrize("name", ["A", "B", "D", "E"])
def test_braking_torque_of_the_short_peaks_at_its_closed_form_speed(name):
    # w = sqrt(u) R/Lq with u = (3 (1-k) + sqrt(9 (1-k)^2 + 4 k))/(2 k), k = Ld/Lq (derived).
    p, r, l_d, l_q, _, _, _ = MACHINES[name]
    k = l_d / l_q
    u = (3.0 * (1.0 - k) + math.sqrt(9.0 * (1.0 - k) ** 2 + 4.0 * k)) / (2.0 * k)
    peak_rpm = math.sqrt(u) * r / l_q / p * 30.0 / math.pi
    duration = 8.0 * 2.0 / (r / l_d + r / l_q) + 0.2
    torques = [Bench(scenario(name, share * peak_rpm, duration_s=duration)).run()["torque_Nm"][-1] for share in (0.9, 1.0, 1.1)]
    assert torques[1] < torques[0] < 0.0 and torques[1] < torques[2] < 0.0
    assert torques[0] / torques[1] == pytest.approx(torques[2] / torques[1], abs=0.003)


@pytest.mark.parametrize("duty", [0.0, 0.5, 1.0])
@pytest.mark.parametrize(
    ("start", "id_min_A", "torque_min_Nm", "torque_max_Nm"),
    [((0.0, 0.0), -685.6255, -169.4953, 155.1570), ((-242.456329, 318.142938), -1259.5008, -644.6206, None)],
    ids=["no load", "full torque"],
)
def test_sudden_short_at_6000_rpm(verified, start, id_min_A, torque_min_Nm, torque_max_Nm, duty):
    # Lossless flux circle: id_min = -(psi + |lambda_0|)/Ld, -700 and -1310.469 A; with 10 mohm the printed values.
    bench = Bench(
        scenario("E", 6000.0, switching_Hz=100000, duration_s=8e-3, substeps=1, initial={"id_A": start[0], "iq_A": start[1]}),
        controller=Legs(duty),
    )
    recording = bench.run()
    # Sampled every 5 us: an extreme is missed by at most (2513 rad/s x 2.5 us)^2/2 = 2e-5.
    what = f"{{}} after a sudden short at 6000 rpm from {'no load' if start == (0.0, 0.0) else 'full torque'}, machine E"
    source = "flux equations solved independently; " + WELCHKO
    id_A, torque = recording["id_A"], recording["torque_Nm"]
    verified(what.format("least d current"), source, id_min_A, id_A.min(), 4e-5 * abs(id_min_A), "A")
    verified(what.format("least torque"), source, torque_min_Nm, torque.min(), 2e-4 * abs(torque_min_Nm), "Nm")
    if torque_max_Nm is not None:
        verified(what.format("greatest torque"), source, torque_max_Nm, torque.max(), 2e-4 * torque_max_Nm, "Nm")


@pytest.mark.parametrize(("start", "id_min_A"), [((0.0, 0.0), -700.0), ((-242.456329, 318.142938), -1310.469)])
def test_sudden_short_without_resistance_runs_on_the_flux_circle(verified, start, id_min_A):
    recording = Bench(
        scenario(
            "E", 6000.0, lossless=True, switching_Hz=100000, duration_s=8e-3, substeps=1,
            initial={"id_A": start[0], "iq_A": start[1]},
        )
    ).run()  # fmt: skip
    at = "no load" if start == (0.0, 0.0) else "full torque"
    what = f"least d current after a sudden short from {at}, no resistance, machine E"
    source = "flux circle -(psi + flux)/Ld, closed form"
    verified(what, source, id_min_A, recording["id_A"].min(), 4e-5 * abs(id_min_A), "A")
    flux = np.hypot(recording["psi_d_Wb"], recording["psi_q_Wb"])
    assert flux == pytest.approx(np.full(len(flux), flux[0]), rel=1e-8)


# Resting points of the clamped loop ----------------------------------------------------------------------------------


@pytest.mark.parametrize("rpm, bandwidth_Hz", [(18000, 500), (20000, 500), (16300.13, 1000), (-18000, 500)])
def test_a_step_in_deep_field_weakening_does_not_stay_at_another_point(run_scenario, rpm, bandwidth_Hz):
    """Beyond the characteristic current (psi/Ld = 350 A) a clamped loop must still leave for its reference.

    Voltage equations in steady state: the reference's voltage fits the limit, so the current must reach it.
    """
    recording = run_scenario(
        load={"speed_rpm": rpm},
        controller={"mode": "torque", "tuning": {"current_bandwidth_Hz": bandwidth_Hz}},
        commands={"replace": True, "torque_Nm": [[0.0, 0.0], [0.05, 400.0]]},
        run={"duration_s": 0.3},
    )
    assert recording["id_reference_A"][-1] < -375.0
    assert recording["id_A"][-1] == pytest.approx(recording["id_reference_A"][-1], abs=1.0)
    assert recording["iq_A"][-1] == pytest.approx(recording["iq_reference_A"][-1], abs=1.0)
    assert recording["voltage_margin_V"][-1] > 5.0
