"""The table of losses: what its runs are, and values between them."""

import numpy as np
import pytest
from cycle_cars import car

from simcore.loop import Bench
from simcore.study.cycle.loss_table import LossTable, Temperatures, Warmth, _along_torque, _job, held_temperatures, loss_table

AXES = np.array([600.0, 700.0]), np.linspace(0.0, 4000.0, 5), np.linspace(-100.0, 100.0, 9)


def made(law, **slopes):
    """A LossTable of a law of voltage, speed and torque."""
    volt, speed, torque = np.meshgrid(*AXES, indexing="ij")
    losses = {"copper": law(volt, speed, torque), "iron": 0.0 * volt}
    edge = np.full((2, 5), 100.0)
    return LossTable(*AXES, losses, edge, -edge, 90, at=Temperatures(80.0, 90.0, 70.0), **slopes)


def test_a_law_that_is_linear_each_way_is_met_between_the_points():
    law = lambda u, n, t: (1.0 + 0.01 * u) * (2.0 + 0.001 * n) * (300.0 + t)  # noqa: E731
    rng = np.random.default_rng(1)
    volt, speed, torque = rng.uniform(600, 700, 50), rng.uniform(0, 4000, 50), rng.uniform(-100, 100, 50)
    assert made(law).losses_at(volt, speed, torque)["copper"] == pytest.approx(law(volt, speed, torque), rel=1e-12)


def test_edges_hold():
    table = made(lambda u, n, t: u + n + t)
    found = table.losses_at(np.array([500.0, 800.0]), np.array([5000.0, 9000.0]), np.array([500.0, -500.0]))["copper"]
    assert found == pytest.approx([600.0 + 4000.0 + 100.0, 700.0 + 4000.0 - 100.0])


def test_copper_follows_its_resistance_and_the_rest_its_slopes():
    """R(t) = R(90) (235 + t)/(235 + 90) of copper, IEC 60034-1 (from memory)."""
    plane = np.ones((5, 9))
    slope = {"copper": 0.0 * plane, "iron": 0.5 * plane}
    table = made(lambda u, n, t: 100.0 + 0.0 * u, junction_W_per_K=slope)
    one = table.losses_at(np.array([650.0]), np.array([100.0]), np.array([3.0]), Warmth(20.0, 65.0, 0.0))
    assert one["copper"] == pytest.approx(100.0 * (235.0 + 155.0) / (235.0 + 90.0), rel=2e-3)
    assert one["iron"] == pytest.approx(10.0)


def test_along_torque_parabolas_stay_and_ends_go_straight_on():
    """Points beyond the limit come several times at the same torque; between the others a parabola is not cut."""
    reached = np.array([-80.0, -80.0, -60.0, -35.0, -15.0, 0.0, 15.0, 35.0, 60.0, 80.0, 80.0])
    losses = np.column_stack([3.0 + 0.02 * reached**2, np.abs(reached)])
    fine = np.linspace(-100.0, 100.0, 201)
    found = _along_torque(reached, losses, fine)
    inside = np.abs(fine) <= 80.0
    assert found[inside, 0] == pytest.approx(3.0 + 0.02 * fine[inside] ** 2, abs=0.6)
    assert found[inside, 1] == pytest.approx(np.abs(fine[inside]), abs=2.5)  # rounded at the kink
    rise = np.diff(found[fine >= 80.0, 0])
    assert rise == pytest.approx(rise[0]) and rise[0] > 0.0


def test_runs_stand_behind_the_supplys_resistance_at_held_temperatures():
    heat = {"coolant_degC": 60.0, "switch": {"foster": [[0.1, 0.1]]}, "ticks_per_step": 1}
    scenario = car(inverter={"heat": heat})
    at = held_temperatures(scenario)
    run = _job(scenario, 650.0, at).scenario
    assert (run.supply.voltage_V, run.supply.resistance_ohm, run.supply.auxiliary_W) == (650.0, 0.08, 300.0)
    assert run.inverter.heat is None and run.inverter.devices.junction_degC == 75.0
    assert held_temperatures(car()).junction_degC == 25.0


def test_a_point_of_the_table_is_the_loop_s():
    """Half way between the grid's speeds and torques: copper and conduction of a run of its own."""
    scenario = car()
    table = loss_table(scenario, [650.0], 5000.0)
    speed, torque = 2650.0, 77.0
    rig = {"kind": "rig", "speed_rpm": speed}
    document = scenario.resolved | {
        "load": rig, "supply": {"voltage_V": 650.0, "resistance_ohm": 0.08}, "commands": {"torque_Nm": torque},
        "run": {"duration_s": 0.3, "record_every": 4, "substeps": 2},
    }  # fmt: skip
    from simcore.scenario.reader import scenario_from

    recording = Bench(scenario_from(document, path="rig.toml")).run()
    found = table.losses_at(np.array([650.0]), np.array([speed]), np.array([torque]))
    for name, signal in (("copper", "loss_copper_W"), ("conduction", "loss_conduction_W")):
        alone = recording.measure(signal, "mean", from_s=0.2)
        assert found[name][0] == pytest.approx(alone, rel=0.01)
    greatest, least = table.limits_at(650.0)
    assert greatest[0] > 200.0 and least[0] == pytest.approx(-greatest[0], rel=0.01)
