"""Trips: loop against map, sums that add up, cycles that cannot be followed, batteries that run empty or are full."""

import json

import numpy as np
import pytest
from cycle_cars import car, part_of

from simcore import ScenarioError, drive_cycle
from simcore.scenario.supply import SourceSupply
from simcore.study.cycle.files import write_cycle
from simcore.study.cycle.schedule import Cycle, load_cycle
from simcore.study.cycle.tables import energy_lines, sentences
from simcore.study.worth import worth_of


def ramp(*points, grade=None):
    """(time, speed) pairs => Cycle."""
    time, speed = np.array(points, dtype=float).T
    return Cycle("ramp", time, speed, None if grade is None else np.full(len(time), float(grade)))


@pytest.fixture(scope="module")
def part():
    return part_of(load_cycle("wltc_class3b"), 1022, 1090)


@pytest.fixture(scope="module")
def both(part):
    return drive_cycle(car(), part, "both")


def test_map_and_loop_agree_within_a_percent(both):
    assert abs(both.compared["net_percent"]) < 0.1
    assert abs(both.compared["drive_losses_percent"]) < 1.0
    loop, by_map = both.figures["loop"], both.figures["map"]
    for name in ("copper", "conduction", "battery"):
        assert by_map["losses_kWh"][name] == pytest.approx(loop["losses_kWh"][name], rel=0.01)
    assert any("of net energy against the loop" in one for one in sentences(both))


@pytest.mark.parametrize("mode", ["loop", "map"])
def test_net_energy_is_the_sum_of_what_took_it(both, mode):
    one = both.figures[mode]
    taken = sum(one["losses_kWh"].values()) + sum(one["uses_kWh"].values())
    assert taken == pytest.approx(one["net_kWh"], rel=1e-4)
    assert one["net_kWh"] == pytest.approx(one["discharged_kWh"] - one["regenerated_kWh"], rel=1e-12)


@pytest.mark.parametrize("mode", ["loop", "map"])
def test_the_gear_takes_its_share_either_way(both, mode):
    """5 % of what the machine drives with; of what comes back to it 1/0.95 - 1."""
    course, one = both.courses[mode], both.figures[mode]
    driving, braking = course.energy_J(course.power_shaft_W)
    expected = (0.05 * driving + (1.0 / 0.95 - 1.0) * -braking) / 3.6e6
    assert one["losses_kWh"]["gear"] == pytest.approx(expected, rel=2e-3)
    wheels = one["wheels_kWh"]
    assert wheels["driving"] == pytest.approx(0.95 * driving / 3.6e6, rel=2e-3)
    assert wheels["net"] == pytest.approx(one["uses_kWh"]["road_load"] + one["uses_kWh"]["kinetic"], rel=2e-3)


def test_the_loops_audit_closes(both):
    assert abs(both.courses["loop"].audit["residual_relative"]) < 1e-5


def test_the_speed_is_followed_and_the_way_is_right(both, part):
    for one in both.figures.values():
        assert one["tracking_error_kmh"]["max"] < 0.2 and one["tracking_error_kmh"]["where"] == []
        assert one["distance_km"] == pytest.approx(part.distance_km, rel=1e-4)


def test_consumption_efficiency_and_charge_hang_together(both):
    one = both.main
    assert one["kWh_per_100km"] == pytest.approx(one["net_kWh"] / one["distance_km"] * 100.0, rel=1e-12)
    for ratio in one["efficiency"].values():
        assert 0.8 < ratio < 1.0
    used = (one["state_of_charge"]["begin"] - one["state_of_charge"]["end"]) * 80.0 * 3600.0
    course = both.course
    cells_V = 620.0 + 120.0 * course.state_of_charge
    assert used == pytest.approx(float(np.sum(course.power_supply_W / cells_V * course.length_s)), rel=1e-4)
    assert both.worth == worth_of(one["kWh_per_100km"], both.scenario.cycle.assumptions, both.battery_kWh)
    assert both.battery_kWh == pytest.approx(80.0 * 680.0 / 1e3)


def test_files_hold_it_all(both, tmp_path):
    folder = write_cycle(both, tmp_path / "car")
    told = json.loads((folder / "cycle.json").read_text())
    for name in ("distance_km", "discharged_kWh", "regenerated_kWh", "net_kWh", "kWh_per_100km"):
        assert told[name] == pytest.approx(both.main[name])
    assert told["losses_kWh"]["copper"] > 0.0 and told["tracking_error_kmh"]["rms"] is not None
    assert told["map_less_loop"]["net_percent"] == pytest.approx(both.compared["net_percent"])
    assert told["modes"]["map"]["net_kWh"] == pytest.approx(both.figures["map"]["net_kWh"])
    rows = np.load(folder / "cycle.npz")
    assert rows["energy_net_kWh"][-1] == pytest.approx(told["net_kWh"], rel=1e-9)
    step = rows["time_s"][1] - rows["time_s"][0]
    assert step == pytest.approx(0.1)
    assert np.sum(rows["loss_copper_W"]) * step / 3.6e6 == pytest.approx(told["losses_kWh"]["copper"], rel=1e-3)
    assert {"cycle.png", "cycle_energy.png", "cycle_map.npz"} <= {path.name for path in folder.iterdir()}


def test_tables_name_each_stage_once(both):
    lines = energy_lines(both)
    assert sum("copper" in line for line in lines) == 1
    assert lines[0].split()[-3:] == ["map", "less", "loop"]


@pytest.mark.parametrize("mode", ["loop", "map"])
def test_what_cannot_be_followed_is_told_and_driven_on(mode):
    """0 to 90 km/h in 4 s asks 11.6 kN; the machine gives its greatest torque, 1.5 p (psi iq + (Ld - Lq) id iq) at 400 A."""
    steep = ramp((0, 0), (2, 0), (6, 90), (30, 90), (36, 54), (40, 54))
    angle = np.linspace(0.5 * np.pi, np.pi, 10001)
    greatest = np.max(1.5 * 4 * (0.08 - 2.5e-4 * 400.0 * np.cos(angle)) * 400.0 * np.sin(angle))
    gain = 3.6 * (0.95 * greatest * 9.0 / 0.32 - 150.0) / 1854.0  # km/h a second, road load of 150 N
    leaves = 2.0 + (22.5 + 2.0) / (22.5 - gain)  # 2 km/h below what was asked a second before
    result = drive_cycle(car(), steep, mode)
    error = result.main["tracking_error_kmh"]
    assert result.finished and result.main["duration_s"] == pytest.approx(40.0)
    assert error["max"] > 20.0
    assert error["where"][0]["from_s"] == pytest.approx(leaves, abs=0.15)
    first = error["where"][0]
    assert first["error_kmh"] == pytest.approx(-error["max"], rel=1e-6) and 5.0 < first["at_s"] < 7.0
    # It catches up without running away beyond the speed asked.
    course = result.course
    assert np.max(course.speed_kmh - course.speed_asked_kmh) < 1.0
    assert abs(course.speed_kmh[-1] - 54.0) < 0.2
    assert any("not followed" in one for one in sentences(result))


@pytest.mark.parametrize("mode", ["loop", "map"])
def test_an_empty_battery_ends_the_trip_there(mode):
    scenario = car(supply={"capacity_Ah": 0.05, "state_of_charge": 0.6}, driver={"empty_charge": 0.2})
    result = drive_cycle(scenario, ramp((0, 50), (30, 50)), mode)
    assert not result.finished and result.course.empty
    end = result.main["state_of_charge"]["end"]
    assert end == pytest.approx(0.2, abs=2e-3)
    assert 1.0 < result.main["duration_s"] < 29.0
    assert len(result.course.time_s) == len(result.course.power_supply_W)
    assert abs(result.main["unexplained_kWh"]) < 1e-5
    assert "the battery is empty" in sentences(result)[0]


def test_both_modes_run_empty_at_the_same_place():
    scenario = car(supply={"capacity_Ah": 0.05, "state_of_charge": 0.6})
    result = drive_cycle(scenario, ramp((0, 50), (40, 50)), "both")
    assert result.figures["map"]["duration_s"] == pytest.approx(result.figures["loop"]["duration_s"], rel=0.02)


@pytest.mark.parametrize("mode", ["loop", "map"])
def test_a_full_battery_leaves_braking_to_friction(mode):
    braking = ramp((0, 60), (10, 30))
    full = drive_cycle(car(supply={"state_of_charge": 1.0, "auxiliary_W": 0.0}), braking, mode).main
    room = drive_cycle(car(supply={"state_of_charge": 0.5, "auxiliary_W": 0.0}), braking, mode).main
    assert full["regenerated_kWh"] < 0.002 * room["regenerated_kWh"]
    kinetic = 0.5 * 1854.0 * (60.0**2 - 30.0**2) / 3.6**2 / 3.6e6
    road = room["uses_kWh"]["road_load"]
    # F0 x way and the integrals of v^2 and v^3 of a straight ramp from 60 to 30 km/h in 10 s.
    by_hand = (120.0 * 45.0 + 0.2 * 2100.0 + 0.03 * 101250.0) * 10.0 / 3.6 / 3.6e6
    for one in (full, room):
        assert one["uses_kWh"]["road_load"] == pytest.approx(by_hand, rel=2e-3)
    assert full["losses_kWh"]["friction_brakes"] == pytest.approx(kinetic - road, rel=0.02)
    assert room["losses_kWh"]["friction_brakes"] < 1e-3 * room["regenerated_kWh"]


@pytest.mark.parametrize("mode", ["loop", "map"])
def test_it_starts_and_stops_on_a_slope_without_rolling_back(mode):
    hill = ramp((0, 0), (3, 0), (8, 20), (12, 20), (16, 0), (22, 0), grade=12.0)
    result = drive_cycle(car(), hill, mode)
    course = result.course
    assert np.min(course.speed_kmh) > -0.05
    assert result.main["tracking_error_kmh"]["max"] < 0.5
    still = course.time_s > 18.0
    assert np.all(np.abs(course.speed_kmh[still]) < 1e-3)
    assert np.all(np.abs(course.torque_Nm[still]) < 1.0)


def test_power_into_the_battery_stays_below_its_limit():
    braking = ramp((0, 80), (2, 80), (8, 20))
    result = drive_cycle(car(driver={"regeneration": {"max_charge_A": 20.0}}), braking, "loop")
    course = result.course
    assert np.min(course.power_link_W / course.link_voltage_V) > -20.5
    assert result.main["tracking_error_kmh"]["max"] < 0.5
    assert result.main["losses_kWh"]["friction_brakes"] > 0.02


def test_a_supply_without_cells_has_no_charge():
    source = car().model_copy(update={"supply": SourceSupply(voltage_V=700.0, resistance_ohm=0.08)})
    result = drive_cycle(source, ramp((0, 30), (5, 30)), "both")
    assert np.isnan(result.main["state_of_charge"]["begin"]) and result.battery_kWh is None
    assert abs(result.compared["net_percent"]) < 0.2
    assert result.worth.battery_kWh == 60.0


def test_a_shaft_without_a_vehicle_is_refused():
    from shared_benches import BASE

    from simcore.scenario.reader import scenario_from

    with pytest.raises(ScenarioError, match='load.kind = "rig": a cycle is driven by a vehicle'):
        drive_cycle(scenario_from(BASE, path="rig.toml"), "nedc")
    with pytest.raises(ScenarioError, match="cycle.name: no cycle is named"):
        drive_cycle(car())
    with pytest.raises(ScenarioError, match='must be "loop", "map" or "both"'):
        drive_cycle(car(), "nedc", "fast")
