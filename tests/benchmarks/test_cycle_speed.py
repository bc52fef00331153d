"""How long the whole WLTC takes: 1800 s at 10 kHz in the loop on one core, and by the map.  Shown, not asserted."""

import pytest

from simcore import drive_cycle, load_scenario
from simcore.study.cycle.map_trip import MapTrip
from simcore.study.cycle.schedule import Cycle, cycles_folder, load_cycle

SHIPPED = cycles_folder().parent
LIGHT = ("load.mass_kg=1800", "load.gear_ratio=9.0", "load.wheel_radius_m=0.32", "load.road_load.F0_N=120")


@pytest.fixture
def scenario():
    """A light car with the yard tractor's drive: a flux map, one update a period, one solver step a tick."""
    return load_scenario(SHIPPED / "port_round.toml", LIGHT)


def cycle(benchmark):
    """The WLTC, or its first minute where nothing is timed."""
    whole = load_cycle("wltc_class3b")
    return whole if benchmark.enabled else Cycle("minute", whole.time_s[:61], whole.speed_kmh[:61])


@pytest.mark.benchmark(group="WLTC, 1800 s at 10 kHz, one core")
def test_in_the_loop(benchmark, scenario):
    driven = cycle(benchmark)
    result = benchmark.pedantic(drive_cycle, (scenario, driven, "loop"), rounds=1, warmup_rounds=0)
    assert result.finished and result.main["distance_km"] == pytest.approx(driven.distance_km, rel=1e-3)


@pytest.mark.benchmark(group="WLTC by the map, table made before")
def test_by_the_map(benchmark, scenario):
    trip = MapTrip(scenario, cycle(benchmark))
    table = trip.make_table()
    run = lambda: MapTrip(scenario, trip.cycle, table).run()  # noqa: E731
    assert not benchmark.pedantic(run, rounds=3 if benchmark.enabled else 1).ended
