"""The shipped drive cycles, and public ones outside, against the sums that their regulations and readers state."""

import numpy as np
import pytest

from simcore.study.cycle.schedule import load_cycle, read_cycle

GTR15 = "UN GTR No. 15, Annex 1, class 3b"
R83 = "UN Regulation No. 83, type I test [M]"
EPA_UDDS, EPA_HWFET = "40 CFR Part 86, App. I", "40 CFR Part 600, App. I"
PHASES = {  # phase: first and last second, sum of the 1 Hz speeds [km/h], greatest speed [km/h]
    "low": (0, 589, 11140.3, 56.5), "medium": (589, 1022, 17121.2, 76.6), "high": (1022, 1477, 25782.2, 97.4),
    "extra high": (1477, 1800, 29714.9, 131.3),
}  # fmt: skip


@pytest.fixture(scope="module")
def wltc():
    return load_cycle("wltc_class3b")


@pytest.mark.parametrize("phase", PHASES)
def test_wltc_phase_sums(wltc, phase, verified):
    first, last, total, fastest = PHASES[phase]
    part = slice(first + 1 if first else 0, last + 1)
    verified(f"WLTC class 3b, {phase}: sum of speeds", GTR15, total, wltc.speed_kmh[part].sum(), 1e-6, "km/h")
    verified(f"WLTC class 3b, {phase}: greatest speed", GTR15, fastest, wltc.speed_kmh[part].max(), 1e-9, "km/h")


def test_wltc_whole(wltc, verified):
    assert len(wltc.time_s) == 1801 and np.all(np.diff(wltc.time_s) == 1.0)
    verified("WLTC class 3b: length", GTR15, 1800.0, wltc.duration_s, 1e-9, "s")
    verified("WLTC class 3b: distance", GTR15, 23266.278, 1e3 * wltc.distance_km, 1e-3, "m")
    acceleration = np.diff(wltc.speed_kmh) / 3.6
    verified("WLTC class 3b: greatest acceleration", GTR15, 1.6667, acceleration.max(), 1e-4, "m/s2")
    verified("WLTC class 3b: greatest deceleration", GTR15, -1.5, acceleration.min(), 1e-4, "m/s2")
    speed = wltc.speed_kmh / 3.6
    # Sums that carry the air drag of any vehicle, computed apart from this project.
    verified("WLTC class 3b: sum of v^2", GTR15 + ", computed", 481760.949, np.sum(speed**2), 1e-3, "m2/s2")
    verified("WLTC class 3b: sum of v^3", GTR15 + ", computed", 11978039.785, np.sum(speed**3), 1e-3, "m3/s3")
    rises = np.diff(speed**2) / 2.0
    verified("WLTC class 3b: sum of rises of v^2/2", GTR15 + ", computed", 3578.1501, rises[rises > 0.0].sum(), 1e-3, "m2/s2")


def test_nedc_from_its_ramps(verified):
    """The regulation prints 1.013 km four times and 6.955 km; its ramps come to 4 x 1014.583 m and 6954.861 m: 0.1 % more."""
    nedc = load_cycle("nedc")
    verified("NEDC: length", R83, 1180.0, nedc.duration_s, 1e-9, "s")
    verified("NEDC: distance", R83, 11007.0, 1e3 * nedc.distance_km, 11.0, "m")
    verified("NEDC: distance of its ramps", R83 + ", computed", 11013.194, 1e3 * nedc.distance_km, 1e-3, "m")
    verified("NEDC: distance of one urban part", R83 + ", computed", 1014.583, _way(nedc, 195.0, 390.0), 0.05, "m")
    verified("NEDC: distance of the extra-urban part", R83, 6955.0, _way(nedc, 780.0, 1180.0), 1.0, "m")
    verified("NEDC: greatest speed", R83, 120.0, nedc.speed_kmh.max(), 1e-9, "km/h")
    assert np.interp([780.0, 1170.0], nedc.time_s, nedc.speed_kmh) == pytest.approx([0.0, 0.0])


def _way(cycle, begin, end):
    at = np.linspace(begin, end, 40001)
    return float(np.trapezoid(cycle.speed_at(at), at))


@pytest.mark.parametrize(
    ("name", "source", "length", "metres", "miles", "stops"),
    [("udds", EPA_UDDS, 1369.0, 11990.24, 7.45, 259), ("hwfet", EPA_HWFET, 765.0, 16506.55, 10.26, None)],
)  # fmt: skip
def test_schedules_of_the_epa(outside_data, verified, name, source, length, metres, miles, stops):
    cycle = read_cycle(outside_data / "cycles" / f"{name}.csv")
    verified(f"{name.upper()}: length", source, length, cycle.duration_s, 1e-9, "s")
    verified(f"{name.upper()}: distance", source, miles * 1609.344, 1e3 * cycle.distance_km, 0.005 * 1609.344, "m")
    assert 1e3 * cycle.distance_km == pytest.approx(metres, abs=0.05)
    if stops:
        assert np.sum(cycle.speed_kmh == 0.0) == stops


def test_the_shipped_wltc_is_the_one_outside(outside_data, wltc):
    outside = read_cycle(outside_data / "cycles" / "wltc_class3b.csv")
    assert np.array_equal(outside.speed_kmh, wltc.speed_kmh)


def test_the_port_shift_ends_where_it_began():
    """Invented: at rest at both ends, and on the level it started from."""
    cycle = load_cycle("port_shift")
    assert cycle.speed_kmh[0] == cycle.speed_kmh[-1] == 0.0
    at = np.linspace(0.0, cycle.duration_s, 200001)
    slope = np.interp(at, cycle.time_s, cycle.grade_percent) / 100.0
    assert abs(np.trapezoid(cycle.speed_at(at) * slope, at)) < 0.2
