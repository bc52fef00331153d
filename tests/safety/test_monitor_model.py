"""Checks against the model of the machine: closed forms of what a wrong angle, current or magnet makes of them."""

import math

import numpy as np
import pytest
from safety_cases import LD, LQ, PSI, P, run, trip

AT_s = 0.05


def slipped(check, slip_deg, id_A=0.0, iq_A=0.0, speed_rpm=3000.0, **limits):
    """=> trip of a check on the one sample whose angle is off."""
    return trip(run(
        load={"speed_rpm": speed_rpm}, supply={"voltage_V": 700}, commands={"id_A": id_A, "iq_A": iq_A},
        run={"duration_s": 0.051}, fault=[{"kind": "position_mounting_slip", "at_s": AT_s, "until_s": AT_s + 50e-6,
                                          "value_deg": slip_deg}],
        safety={check: {"reaction": "report", "debounce_s": 0.0, **limits}},
    ), check)  # fmt: skip


@pytest.mark.parametrize("speed_rpm", [3000.0, -3000.0])
@pytest.mark.parametrize("slip_deg", [20.0, -20.0])
def test_currents_that_a_turned_frame_makes_implausible(slip_deg, speed_rpm):
    """Without current the model's flux psi lies turned by the slip: (psi (cos - 1)/Ld, psi sin/Lq) from the measured zero."""
    slip = math.radians(slip_deg)
    apart = math.hypot(PSI * (math.cos(slip) - 1.0) / LD, PSI * math.sin(slip) / LQ)
    found = slipped("current_plausibility", slip_deg, speed_rpm=speed_rpm, threshold_A=apart - 1.5)
    assert found["at_s"] == pytest.approx(AT_s, abs=1e-9) and found["value"] == pytest.approx(apart, abs=1.0)
    assert slipped("current_plausibility", slip_deg, speed_rpm=speed_rpm, threshold_A=apart + 1.5) is None


@pytest.mark.parametrize("id_A, iq_A", [(0.0, 0.0), (0.0, 200.0), (-150.0, -200.0)])
@pytest.mark.parametrize("slip_deg", [30.0, -30.0])
def test_the_emf_shows_how_far_an_angle_has_slipped(id_A, iq_A, slip_deg):
    """The active flux lies along the true d axis at any current: it stands 30 deg off the measured one."""
    found = slipped("angle_emf", slip_deg, id_A, iq_A, threshold_deg=29.0)
    assert found["at_s"] == pytest.approx(AT_s, abs=1e-9) and found["value"] == pytest.approx(30.0, abs=0.7)
    assert slipped("angle_emf", slip_deg, id_A, iq_A, threshold_deg=31.0) is None


def test_a_standing_machine_shows_no_angle():
    assert slipped("angle_emf", 90.0, speed_rpm=100.0, threshold_deg=10.0) is None


@pytest.mark.parametrize("beside_Nm, trips", [(-1.0, True), (2.0, False)])
def test_power_shows_a_magnet_that_has_lost_flux(beside_Nm, trips):
    """1.5 p 30 % of psi x 200 A = 25.2 Nm less than the currents mean; the current loop holds the current."""
    lost_Nm = 1.5 * P * 0.3 * PSI * 200.0
    found = trip(run(
        load={"speed_rpm": 3000.0}, supply={"voltage_V": 700}, commands={"id_A": 0.0, "iq_A": 200.0},
        run={"duration_s": 0.1}, fault=[{"kind": "magnet_demagnetised", "at_s": AT_s, "lost_percent": 30.0}],
        safety={"torque_power": {"reaction": "report", "threshold_Nm": lost_Nm + beside_Nm, "debounce_s": 5e-3}},
    ), "torque_power")  # fmt: skip
    assert bool(found) == trips


@pytest.mark.parametrize("dead_time_s", [0.0, 2e-6])
@pytest.mark.parametrize("model", ["averaged", "switched"])
def test_dead_time_and_drops_do_not_look_like_a_fault(dead_time_s, model):
    """2 us at 10 kHz take 14 V of 700 V; the model knows that."""
    igbt = {"kind": "igbt", "threshold_V": 0.9, "slope_ohm": 2e-3, "diode": {"threshold_V": 1.1, "slope_ohm": 1.5e-3}}
    found = run(
        inverter={"model": model, "dead_time_s": dead_time_s, "devices": igbt}, supply={"voltage_V": 700},
        load={"speed_rpm": {"shape": "linear", "points": [[0.0, 0.0], [0.1, 3000.0]]}},
        commands={"id_A": -100.0, "iq_A": [[0.0, 0.0], [0.01, 200.0], [0.06, -200.0]]}, run={"duration_s": 0.1},
        safety={"current_plausibility": {"threshold_A": 40.0, "debounce_s": 1e-3}, "angle_emf": {"threshold_deg": 6.0},
                "torque_power": {"threshold_Nm": 10.0}},
    )  # fmt: skip
    assert found.monitor["trips"] == []


def test_a_saturated_machine_is_judged_by_its_map(make_scenario):
    from simcore import Bench

    scenario = make_scenario(
        machine={"replace": True, "part": "motors/yard_tractor"}, inverter={"replace": True, "part": "inverters/sic_800v"},
        supply={"voltage_V": 700}, load={"speed_rpm": 4000.0}, controller={"mode": "torque"},
        commands={"replace": True, "torque_Nm": [[0.0, 0.0], [0.01, 200.0], [0.03, -200.0]]}, run={"duration_s": 0.06},
        safety={"current_plausibility": {"threshold_A": 30.0}, "angle_emf": {"threshold_deg": 5.0}, "torque_power": {}},
    )  # fmt: skip
    found = Bench(scenario).run()
    assert found.monitor["trips"] == [] and np.abs(found["torque_Nm"]).max() > 190.0
