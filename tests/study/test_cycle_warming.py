"""Temperatures of a trip by the map: against a general solver, closed forms and the loop."""

import numpy as np
import pytest
from cycle_cars import car
from scipy.integrate import solve_ivp

from simcore import drive_cycle
from simcore.study.cycle.loss_table import Temperatures
from simcore.study.cycle.schedule import Cycle
from simcore.study.cycle.warming import Warming

STEP = 0.05
INVERTER = {
    "coolant_degC": 60.0, "switch": {"cauer": [[0.05, 0.02], [0.8, 0.03]]}, "sink": {"cauer": [[40.0, 0.002], [300.0, 0.004]]},
    "ticks_per_step": 1,
}  # fmt: skip
MACHINE = {
    "winding_J_per_K": 1300.0, "iron_J_per_K": 9000.0, "magnet_J_per_K": 4000.0, "winding_to_iron_K_per_W": 0.03,
    "iron_to_coolant_K_per_W": 0.015, "magnet_to_iron_K_per_W": 0.1, "coolant_degC": 65.0, "magnet_share": 0.2,
}  # fmt: skip
AT = Temperatures(75.0, 80.0, 70.0)


def warming(**heat):
    warm = {"winding_temperature_degC": 90.0, "magnet_temperature_degC": 70.0, "heat": MACHINE | heat}
    return Warming(car(machine=warm, inverter={"heat": INVERTER}), AT, STEP)


def losses(n, rng):
    return {name: rng.uniform(0.0, 2000.0, n) for name in ("conduction", "switching", "copper", "iron", "gate", "capacitor")}


def test_junction_and_sink_against_a_general_solver():
    """Six ladders in parallel into one: the first node of the sink takes six times what a device sends."""
    rng, n = np.random.default_rng(1), 60
    given = losses(n, rng)
    watts = (given["conduction"] + given["switching"]) / 6.0

    def rate(t, x):
        power = watts[min(int(t / STEP), n - 1)]
        a, b, c, d = x
        into_b, into_c, into_d, out = (a - b) / 0.02, (b - c) / 0.03, (c - d) / 0.002, d / 0.004
        return [(power - into_b) / 0.05, (into_b - into_c) / 0.8, (6.0 * into_c - into_d) / 40.0, (into_d - out) / 300.0]

    x, found = np.zeros(4), []
    for k in range(n):
        found.append(x)
        x = solve_ivp(rate, (k * STEP, (k + 1) * STEP), x, max_step=1e-3, rtol=1e-10, atol=1e-10).y[:, -1]
    found = np.array(found)
    told = warming().temperatures(given)
    assert told["junction"] == pytest.approx(60.0 + found[:, 0], abs=0.02)
    assert told["sink"] == pytest.approx(60.0 + found[:, 2], abs=1e-3)


def test_machine_settles_where_the_resistances_put_it():
    n = 400_000
    given = {name: np.full(n, watts) for name, watts in (("copper", 700.0), ("iron", 300.0), ("conduction", 0.0),
                                                         ("switching", 0.0))}  # fmt: skip
    told = warming().temperatures(given)
    iron = 65.0 + 0.015 * 1000.0
    assert told["iron"][-1] == pytest.approx(iron, abs=1e-6)
    assert told["winding"][-1] == pytest.approx(iron + 0.03 * 700.0, abs=1e-6)
    assert told["magnet"][-1] == pytest.approx(iron + 0.1 * 0.2 * 300.0, abs=1e-6)
    assert (told["winding"][0], told["iron"][0], told["magnet"][0]) == pytest.approx((90.0, 65.0, 70.0))


def test_from_the_coolant_and_from_a_given_junction():
    cold = warming(initial="coolant").temperatures(losses(3, np.random.default_rng(2)))
    assert cold["winding"][0] == pytest.approx(65.0) and cold["magnet"][0] == pytest.approx(65.0)
    given = Warming(car(inverter={"heat": INVERTER | {"initial": 110.0}}), AT, STEP)
    first = given.temperatures(losses(3, np.random.default_rng(3)))
    assert first["junction"][0] == pytest.approx(110.0) and first["sink"][0] == pytest.approx(60.0)


def test_without_heat_nothing_moves():
    still = Warming(car(), AT, STEP)
    assert not still.there and still.temperatures({}) == {}
    assert still.warmth({}) == (0.0, 0.0, 0.0)


@pytest.fixture(scope="module")
def hard_driven():
    """Pulled against full brakes' worth of acceleration again and again, with small heat capacities: warm within a minute."""
    machine = MACHINE | {"winding_J_per_K": 1300.0, "iron_J_per_K": 3000.0, "magnet_J_per_K": 1000.0}
    scenario = car(
        machine={"heat": machine, "winding_temperature_degC": 65.0, "magnet_temperature_degC": 65.0,
                 "magnet_temperature_coefficient_per_K": -0.001},
        inverter={"heat": INVERTER, "devices": {"on_resistance_ohm": [[25.0, 0.004], [150.0, 0.008]]}},
    )  # fmt: skip
    time = np.arange(0.0, 61.0, 5.0)
    hops = Cycle("hops", time, np.where(np.arange(len(time)) % 2 == 1, 50.0, 0.0))
    return drive_cycle(scenario, hops, "both")


@pytest.mark.parametrize(("name", "within"), [("winding", 1.0), ("iron", 1.0), ("magnet", 1.0), ("sink", 0.5)])
def test_the_map_s_temperatures_are_the_loop_s(hard_driven, name, within):
    loop, by_map = hard_driven.courses["loop"], hard_driven.courses["map"]
    at_map = np.interp(loop.time_s, by_map.time_s, by_map.temperatures_degC[name])
    assert np.max(np.abs(at_map - loop.temperatures_degC[name])) < within
    if name != "sink":
        assert loop.temperatures_degC[name][-1] > 66.0


def test_losses_follow_the_temperatures(hard_driven):
    loop, by_map = hard_driven.figures["loop"]["losses_kWh"], hard_driven.figures["map"]["losses_kWh"]
    assert loop["copper"] > 0.001
    for name in ("copper", "conduction"):
        assert by_map[name] == pytest.approx(loop[name], rel=0.02)
    assert abs(hard_driven.compared["net_percent"]) < 0.5


def test_a_warm_start_is_where_the_mean_losses_hold_it():
    n = 2000
    given = losses(n, np.random.default_rng(4))
    told = warming(initial="steady").temperatures(given)
    copper, iron = given["copper"].mean(), given["iron"].mean()
    stator = 65.0 + 0.015 * (copper + iron)
    assert told["iron"][0] == pytest.approx(stator, rel=1e-9)
    assert told["winding"][0] == pytest.approx(stator + 0.03 * copper, rel=1e-9)
    assert told["magnet"][0] == pytest.approx(stator + 0.1 * 0.2 * iron, rel=1e-9)


def test_the_loop_begins_as_warm_as_the_map():
    """After many rounds of one cycle: winding, iron, magnets and sink begin above the coolants, alike in both modes."""
    scenario = car(
        machine={"heat": MACHINE | {"initial": "steady"}},
        inverter={"heat": INVERTER | {"initial": "steady"}, "devices": {"on_resistance_ohm": [[25.0, 0.004], [150.0, 0.008]]}},
    )  # fmt: skip
    hop = Cycle("hop", np.array([0.0, 3.0, 6.0, 7.0]), np.array([0.0, 40.0, 0.0, 0.0]))
    result = drive_cycle(scenario, hop, "both")
    loop, by_map = result.courses["loop"], result.courses["map"]
    for name in ("winding", "iron", "sink"):
        first = loop.temperatures_degC[name][0]
        assert first > 65.0 if name != "sink" else first > 60.2
        assert first == pytest.approx(by_map.temperatures_degC[name][0], abs=0.05)
    assert abs(loop.audit["residual_relative"]) < 1e-4
