"""Energy of a cycle at the wheels, by calculation and in the closed loop.

Road load F0 + F1 v + F2 v^2 and 1.03 m in acceleration: UN GTR No. 15, Annexes 4 and 7 (from memory).  The kWh below were
computed apart from this project.  Net energy between two rests is that of the road load alone, whatever the driver does: the
kinetic energy comes back.
"""

import math

import numpy as np
import pytest
from scipy.integrate import quad

from simcore.scenario.reader import scenario_from
from simcore.study.cycle.road import KWH, Vehicle, coast_down_s, wheel_energy
from simcore.study.cycle.schedule import Cycle, load_cycle

GTR = "UN GTR No. 15, Annex 7 [M], computed"
F0, F1, F2, MASS = 120.0, 0.20, 0.030, 1800.0
VEHICLE = Vehicle(MASS, 1.03 * MASS, (F0, 3.6 * F1, 3.6**2 * F2), 0.32 / 9.0, 1.0)


@pytest.fixture(scope="module")
def wltc():
    return load_cycle("wltc_class3b")


@pytest.fixture(scope="module")
def asked(wltc):
    return wheel_energy(wltc, VEHICLE)


def test_wheel_energy_of_wltc(asked, verified):
    verified("WLTC class 3b, 1800 kg: energy at the wheels while driving", GTR, 3.364837, asked.driving_J / KWH, 1e-6, "kWh")
    verified("WLTC class 3b, 1800 kg: while braking", GTR, -1.199720, asked.braking_J / KWH, 1e-6, "kWh")
    verified("WLTC class 3b, 1800 kg: net", GTR, 2.165116, asked.net_J / KWH, 1e-6, "kWh")
    per = asked.driving_kWh_per_100km
    verified("WLTC class 3b, 1800 kg: while driving, over the way", GTR, 14.46229, per, 1e-5, "kWh/100 km")
    verified("WLTC class 3b, 1800 kg: greatest power", GTR, 46.2689, asked.peak_W / 1e3, 1e-4, "kW")
    verified("WLTC class 3b, 1800 kg: greatest braking power", GTR, -38.0537, asked.least_W / 1e3, 1e-4, "kW")
    battery = asked.driving_J / 0.90 + asked.braking_J * 0.85
    verified("WLTC class 3b: battery, 0.90 out and 0.85 back", GTR, 2.718945, battery / KWH, 1e-6, "kWh")


def test_net_energy_needs_no_mass(asked, wltc):
    """Inertia integrates to zero between two rests."""
    light = wheel_energy(wltc, Vehicle(1.0, 1.0, VEHICLE.road_N, VEHICLE.arm_m, 1.0))
    assert light.net_J == pytest.approx(asked.net_J, rel=1e-12)


@pytest.mark.parametrize("kmh", [50.0, 100.0, 120.0, 130.0])
def test_newtons_are_consumption(kmh):
    """F [N] over 100 km is F/36 kWh: 1 N x 1e5 m = 1/36 kWh."""
    steady = Cycle("steady", np.array([0.0, 1000.0]), np.array([kmh, kmh]))
    force = F0 + F1 * kmh + F2 * kmh**2
    assert wheel_energy(steady, VEHICLE).driving_kWh_per_100km == pytest.approx(force / 36.0, rel=1e-9)


def test_coast_down(verified):
    verified("coast-down 130 to 40 km/h, 1.03 m", "closed integral of m dv/F(v)", 143.26333, coast_down_s(VEHICLE, 130.0, 40.0),
             1e-3, "s")  # fmt: skip
    force = lambda v: F0 + F1 * 3.6 * v + F2 * (3.6 * v) ** 2  # noqa: E731
    assert quad(lambda v: 1.03 * MASS / force(v), 40 / 3.6, 130 / 3.6)[0] == pytest.approx(143.26333, abs=1e-4)


def _lossless(**load):
    """A stiff drive without losses that does whatever the driver asks."""
    return scenario_from(
        {
            "machine": {
                "kind": "constants", "pole_pairs": 2, "stator_resistance_ohm": 1e-5, "inductance_d_H": 0.4e-3,
                "inductance_q_H": 0.4e-3, "magnet_flux_Wb": 0.08, "max_current_A": 1500, "max_speed_rpm": 20000,
            },
            "inverter": {"switching_frequency_Hz": 2000, "update": "single"},
            "supply": {"voltage_V": 700},
            "load": {
                "kind": "vehicle", "mass_kg": MASS, "road_load": {"F0_N": F0, "F1_N_per_kmh": F1, "F2_N_per_kmh2": F2},
                "wheel_radius_m": 0.32, "gear_ratio": 5.0, **load,
            },
            "controller": {"mode": "torque", "tuning": {"current_bandwidth_Hz": 100}},
            "commands": {"torque_Nm": 0.0},
            "run": {"duration_s": 1.0, "substeps": 1},
        },
        path="lossless.toml",
    )  # fmt: skip


@pytest.fixture(scope="module")
def driven(wltc):
    """The first hill of speed of the WLTC, between two rests, in the loop."""
    from simcore.study.cycle.trips import drive_cycle

    first = Cycle("first hill", wltc.time_s[:131], wltc.speed_kmh[:131])
    assert first.speed_kmh[-1] == 0.0 < first.speed_kmh.max()
    return first, drive_cycle(_lossless(), first, "loop")


def test_net_energy_of_the_loop_is_that_of_the_road(driven, verified):
    first, result = driven
    speed = first.speed_kmh
    # Exact for straight ramps: F0 x way and the mean of v^2, v^3 over each ramp.
    a, b = speed[:-1], speed[1:]
    work = F0 * (a + b) / 2.0 + F1 * (a * a + a * b + b * b) / 3.0 + F2 * (a**3 + a * a * b + a * b * b + b**3) / 4.0
    expected = float(np.sum(work)) / 3.6 / KWH
    found = result.main["wheels_kWh"]["net"]
    verified("WLTC, first 130 s in the loop: net energy at the wheels", "integral of F v over the ramps", expected, found,
             1e-4 * expected, "kWh")  # fmt: skip
    assert abs(result.main["unexplained_kWh"]) < 1e-5
    assert abs(result.main["uses_kWh"]["kinetic"]) < 1e-9


def test_driving_and_braking_energy_of_the_loop(driven, verified):
    first, result = driven
    asked = wheel_energy(first, VEHICLE, 0.05)
    name = "WLTC, first 130 s in the loop: energy at the wheels"
    wheels = result.main["wheels_kWh"]
    verified(f"{name} while driving", GTR, asked.driving_J / KWH, wheels["driving"], 2e-3 * asked.driving_J / KWH, "kWh")
    verified(f"{name} while braking", GTR, -asked.braking_J / KWH, wheels["braking"], 2e-3 * -asked.braking_J / KWH, "kWh")


def test_a_steady_speed_takes_the_thirty_sixth_part_of_its_force(verified):
    from simcore.study.cycle.trips import drive_cycle

    steady = Cycle("steady", np.array([0.0, 20.0]), np.array([90.0, 90.0]))
    result = drive_cycle(_lossless(), steady, "loop")
    force = F0 + F1 * 90.0 + F2 * 8100.0
    verified("consumption at a steady 90 km/h without losses", "F/36", force / 36.0, result.main["kWh_per_100km"],
             2e-3 * force / 36.0, "kWh/100 km")  # fmt: skip


def test_a_slope_asks_for_its_share_of_the_weight():
    """Up 5 % and down again at one speed: the weight's work is m g h, and nothing of it is lost."""
    from simcore.study.cycle.trips import drive_cycle

    time = np.array([0.0, 10.0, 10.1, 20.0, 20.1, 30.0])
    hill = Cycle("hill", time, np.full(6, 36.0), np.array([0.0, 0.0, 5.0, 5.0, 0.0, 0.0]))
    result = drive_cycle(_lossless(), hill, "loop")
    sine = math.sin(math.atan(0.05))
    expected = MASS * 9.80665 * sine * 10.0 * 10.0 / KWH  # ten seconds of 10 m/s, the two ramps together one of them
    assert result.main["uses_kWh"]["climbing"] == pytest.approx(expected, rel=2e-3)


def test_a_slope_over_time_counts_in_what_is_asked():
    """20 s at 10 m/s, the second half up 5 %: m g sin(atan(0.05)) over 100 m."""
    from simcore.scenario.profile import Profile

    steady = Cycle("steady", np.array([0.0, 20.0]), np.array([36.0, 36.0]))
    flat, hill = wheel_energy(steady, VEHICLE), wheel_energy(steady, VEHICLE, grade=Profile((0.0, 10.0), (0.0, 5.0)))
    assert hill.net_J - flat.net_J == pytest.approx(MASS * 9.80665 * math.sin(math.atan(0.05)) * 100.0, rel=1e-9)
