"""What a scenario's load, commands and initial state come to in the plant."""

import math

import pytest
from shared_records import record

from simcore.loop.fill_plant import fill_shaft
from simcore.loop.records import PROFILES
from simcore.loop.setup import build_parameters, profile_points
from simcore.plant.records import SHAFT
from simcore.plant.shaft import rough_resistance, shaft_torque

VEHICLE = {"replace": True, "kind": "vehicle", "mass_kg": 1800.0, "road_load": {"F0_N": 120.0}, "wheel_radius_m": 0.32,
           "gear_ratio": 9.0}  # fmt: skip


def shaft_of(scenario):
    shaft = record(SHAFT)
    fill_shaft(shaft, scenario.load)
    return shaft


def test_a_steep_grade_pulls_by_the_sine_of_its_angle(make_scenario):
    """30 % rise 0.3 m on a metre of level ground: m g 0.3/sqrt(1 + 0.3^2) at the wheel, r/i of that at the rotor."""
    params, _, points, *_ = build_parameters(make_scenario(load=VEHICLE | {"grade_percent": 30.0}))
    profile = params[0]["profiles"][PROFILES.index("load")]
    weight_N = 1800.0 * 9.80665 * 0.3 / math.sqrt(1.09)
    assert points[profile["start"] + 1] == pytest.approx(weight_N * 0.32 / 9.0, rel=1e-12)


def test_a_gear_passes_its_efficiency_on_either_way(make_scenario):
    """Driving, 0.8 of the machine's power reach the wheels; driven, 0.8 of the wheels' power reach the machine."""
    shaft, omega = shaft_of(make_scenario(load=VEHICLE | {"gear_efficiency": 0.8})), 100.0
    for torque_Nm in (60.0, -60.0):
        resisting, lost_W = rough_resistance(shaft, omega, torque_Nm)
        machine_W, wheels_W = torque_Nm * omega, (torque_Nm - resisting) * omega
        given, taken = (machine_W, wheels_W) if torque_Nm > 0.0 else (-wheels_W, -machine_W)
        assert taken / given == pytest.approx(0.8) and lost_W == pytest.approx(given - taken)


def test_backlash_is_the_whole_play(make_scenario):
    """Two degrees: one either way from the middle, a spring beyond."""
    shaft = shaft_of(make_scenario(load={
        "replace": True, "kind": "two_mass", "inertia_kg_m2": 0.01, "load_inertia_kg_m2": 0.05, "stiffness_Nm_per_rad": 2000.0,
        "backlash_deg": 2.0,
    }))  # fmt: skip
    for sign in (1.0, -1.0):
        assert shaft_torque(shaft, sign * math.radians(0.99), 0.0)[0] == 0.0
        expected = sign * 2000.0 * math.radians(0.5)
        assert shaft_torque(shaft, sign * math.radians(1.5), 0.0)[0] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("ticks", [3, 6, 7, 29, 57, 111])
def test_a_step_acts_at_the_tick_it_is_written_for(make_scenario, ticks):
    """Times of the file are decimal: k x 50 us may lie a rounding below tick k and still mean it."""
    at_s = float(f"{ticks * 50}e-6")
    scenario = make_scenario(commands={"iq_A": [[0.0, 0.0], [at_s, 10.0]]})
    assert list(profile_points(scenario.commands.iq_A, scenario.tick_s)[:, 0]) == [0.0, float(ticks)]


@pytest.mark.parametrize("speed_rpm", [4000.0, -4000.0])
def test_a_run_begins_with_the_terminal_currents_it_was_given(run_scenario, speed_rpm):
    """Iron that takes tens of amperes beside the winding, harmonics in the EMF: what the sensors would see is as written."""
    recording = run_scenario(
        machine={"iron_loss": {"frequency_Hz": 200.0, "hysteresis_W": 4000.0, "eddy_W": 6000.0},
                 "emf_harmonics": [{"order": 5, "amplitude_percent": 4.0}]},
        load={"speed_rpm": speed_rpm}, initial={"id_A": -70.0, "iq_A": 120.0, "angle_electrical_deg": 40.0},
        run={"duration_s": 0.0005},
    )  # fmt: skip
    assert (recording["id_A"][0], recording["iq_A"][0]) == pytest.approx((-70.0, 120.0), abs=1e-6)
