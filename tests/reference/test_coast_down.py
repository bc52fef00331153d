"""A vehicle on the road: coast-down, power at steady speed, grade, gear.

Sources: road load F0 + F1 v + F2 v^2 and mass in acceleration of 1.03 m as in UN GTR No. 15, Annex 4 and 7 (from memory); the
coast-down time is the closed integral of m dv/F(v), checked below by quadrature.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from controllers import Command, Controller
from simcore import Bench
from simcore.scenario.reader import scenario_from

GTR = "UN GTR No. 15, Annex 4 [M], closed form"
F0, F1, F2, MASS, FACTOR = 120.0, 0.20, 0.030, 1800.0, 1.03
VEHICLE = {
    "kind": "vehicle", "mass_kg": MASS, "road_load": {"F0_N": F0, "F1_N_per_kmh": F1, "F2_N_per_kmh2": F2},
    "rotational_inertia_factor": FACTOR, "wheel_radius_m": 0.32, "gear_ratio": 2.0,
}  # fmt: skip


def force(kmh):
    return F0 + F1 * kmh + F2 * kmh**2


class NoTorque(Controller):
    """Zero vectors; the machine has no magnet to speak of."""

    def reset(self, setup):
        pass

    def step(self, measured):
        return Command(0.5, 0.5, 0.5)


def roll(load, duration_s, kmh=0.0, controller=None, commands=None, mode="speed", fs_Hz=1000, **machine):
    """(vehicle) => Recording of a drive that starts at kmh."""
    tuning = {"current_bandwidth_Hz": 50, "speed_bandwidth_Hz": 1.0} if mode == "speed" else {}
    document = {
        "machine": {
            "kind": "constants", "pole_pairs": 1, "stator_resistance_ohm": 0.02, "inductance_d_H": 1e-3, "inductance_q_H": 1e-3,
            "magnet_flux_Wb": 1e-9, "max_current_A": 1000, "max_speed_rpm": 20000, **machine,
        },
        "inverter": {"switching_frequency_Hz": fs_Hz},
        "supply": {"kind": "source", "voltage_V": 700},
        "load": load,
        "controller": {"mode": mode, "tuning": tuning},
        "commands": commands or {"iq_A": 0.0},
        "initial": {"speed_rpm": kmh / 3.6 / load["wheel_radius_m"] * load["gear_ratio"] * 30.0 / math.pi},
        "run": {"duration_s": duration_s, "record_every": 20},
    }  # fmt: skip
    return Bench(scenario_from(document, path="road.toml"), controller=controller).run()


@pytest.fixture(scope="module")
def coasting():
    return roll(VEHICLE, 150.0, 130.0, NoTorque(), mode="current")


def arctan_time(from_kmh, to_kmh):
    """Closed integral of m_e dv/F: m_e/3.6 2/D [atan((2 F2 v + F1)/D)], D = sqrt(4 F0 F2 - F1^2)."""
    root = math.sqrt(4.0 * F0 * F2 - F1**2)
    return FACTOR * MASS / 3.6 * 2.0 / root * (
        math.atan((2.0 * F2 * from_kmh + F1) / root) - math.atan((2.0 * F2 * to_kmh + F1) / root)
    )  # fmt: skip


def test_closed_form_against_quadrature():
    """Guards the figure, not the simulator."""
    assert arctan_time(130.0, 40.0) == pytest.approx(143.26333, abs=1e-5)
    assert quad(lambda v: FACTOR * MASS / 3.6 / force(v), 40.0, 130.0)[0] == pytest.approx(143.26333, abs=1e-5)


def test_coast_down_from_130_to_40_kmh(verified, coasting):
    speed = coasting["vehicle_speed_kmh"]
    assert speed[0] == pytest.approx(130.0, abs=1e-9)
    for to_kmh, expected in ((40.0, 143.26333), (80.0, arctan_time(130.0, 80.0))):
        found = np.interp(-to_kmh, -speed, coasting.time_s)
        verified(f"coast-down from 130 to {to_kmh:g} km/h", GTR, expected, found, 2e-4, "s")


def test_coasting_turns_all_of_its_energy_into_road_load(coasting):
    audit = coasting.audit
    kinetic = 0.5 * FACTOR * MASS * ((130.0 / 3.6) ** 2 - (coasting["vehicle_speed_kmh"][-1] / 3.6) ** 2)
    assert np.sum(coasting["loss_friction_W"] * coasting.row_length_s) == pytest.approx(kinetic, rel=1e-3)
    assert abs(audit["residual_relative"]) < 1e-6


DRIVE = {"magnet_flux_Wb": 0.5, "inductance_d_H": 2e-3, "inductance_q_H": 2e-3}


@pytest.mark.parametrize("kmh, newton", [(50.0, 205.0), (100.0, 440.0), (120.0, 576.0)])
@pytest.mark.parametrize("efficiency", [1.0, 0.95])
def test_power_at_steady_speed(verified, kmh, newton, efficiency):
    """50/100/120 km/h: 205/440/576 N; 100 km/h: 12.2222 kW, which is 12.2222 kWh/100 km.  A gear loses on top."""
    load = {**VEHICLE, "gear_efficiency": efficiency}
    rpm = kmh / 3.6 / 0.32 * 2.0 * 30.0 / math.pi
    recording = roll(load, 6.0, kmh, commands={"speed_rpm": rpm}, fs_Hz=4000, **DRIVE)
    assert recording["vehicle_speed_kmh"][-1] == pytest.approx(kmh, abs=1e-3)
    expected = newton * kmh / 3.6 / efficiency
    found = recording.measure("power_shaft_W", "mean", from_s=5.0, to_s=6.0)
    what = f"power at the rotor at {kmh:g} km/h, gear of {100 * efficiency:g} %"
    verified(what, GTR, expected / 1e3, found / 1e3, 1e-3 * expected / 1e3, "kW", row=kmh == 100.0)


def test_a_grade_asks_for_its_share_of_the_weight(verified):
    """5 % at 36 km/h: m g sin(atan 0.05) = 881.47 N on top of the road load."""
    load = {**VEHICLE, "grade_percent": 5.0}
    recording = roll(load, 6.0, 36.0, commands={"speed_rpm": 10.0 / 0.32 * 2.0 * 30.0 / math.pi}, fs_Hz=4000, **DRIVE)
    expected = (MASS * 9.80665 * math.sin(math.atan(0.05)) + force(36.0)) * 10.0
    found = recording.measure("power_shaft_W", "mean", from_s=5.0, to_s=6.0)
    what, source = "power at the rotor up 5 % at 36 km/h, 1800 kg", "m g sin(atan 0.05) + road load"
    verified(what, source, expected, found, 1e-3 * expected, "W")


def test_acceleration_moves_the_mass_and_what_turns_with_it(verified):
    """Constant torque on a road without resistance: a = T i/r / (1.03 m + J (i/r)^2)."""
    load = {**VEHICLE, "road_load": {"F0_N": 0.0}, "rotor_inertia_kg_m2": 0.5}
    recording = roll(load, 2.0, 0.0, mode="torque", commands={"torque_Nm": 300.0}, fs_Hz=4000, **DRIVE)
    arm = 0.32 / 2.0
    expected = 300.0 / arm / (FACTOR * MASS + 0.5 / arm**2)
    speed = recording["vehicle_speed_kmh"] / 3.6
    late = recording.time_s >= 1.0
    found = np.polyfit(recording.time_s[late], speed[late], 1)[0]
    what = "acceleration of 1800 kg by 300 Nm, gear 2, wheel 0.32 m, rotor 0.5 kg m2"
    verified(what, "Newton", expected, found, 1e-4 * expected, "m/s2")
