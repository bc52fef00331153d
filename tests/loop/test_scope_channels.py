"""What a scope tells of one instant, channel against channel by Kirchhoff and Ohm."""

import numpy as np
import pytest

ON_OHM, SOURCE_OHM, SOURCE_V = 0.05, 0.5, 400.0


@pytest.fixture(scope="module")
def scope():
    """117 A on a switched drive of 50 mohm a switch, fed through 0.5 ohm, at 1200 rpm."""
    from shared_benches import BASE, merge

    from simcore import Bench
    from simcore.scenario.reader import scenario_from

    document = merge(BASE, {
        "inverter": {"model": "switched", "link_capacitance_F": 200e-6,
                     "devices": {"kind": "mosfet", "on_resistance_ohm": ON_OHM}},
        "supply": {"voltage_V": SOURCE_V, "resistance_ohm": SOURCE_OHM},
        "load": {"speed_rpm": 1200},
        "commands": {"id_A": -60.0, "iq_A": 100.0},
        "run": {"duration_s": 0.01},
        "scope": [{"from_s": 0.005, "to_s": 0.01, "step_s": 2.3e-6}],
    })  # fmt: skip
    return Bench(scenario_from(document, path="scope.toml")).run().scopes[0]


@pytest.mark.parametrize("leg", ["a", "b", "c"])
def test_each_leg_lies_at_a_rail_but_for_its_switch(scope, leg):
    """v = u Vdc - R i with that leg's own current, u 0 or 1."""
    held = scope[f"leg_{leg}_V"] + ON_OHM * scope[f"i{leg}_A"]
    upper = held > 0.5 * scope["link_voltage_V"]
    assert 0.1 < np.mean(upper) < 0.9
    assert held == pytest.approx(np.where(upper, scope["link_voltage_V"], 0.0), abs=1e-6)
    mean = (scope["leg_a_V"] + scope["leg_b_V"] + scope["leg_c_V"]) / 3.0
    assert scope[f"v{leg}_V"] == pytest.approx(scope[f"leg_{leg}_V"] - mean, abs=1e-6)


def test_the_supply_gives_what_its_resistance_lets_through(scope):
    assert scope["supply_current_A"] == pytest.approx((SOURCE_V - scope["link_voltage_V"]) / SOURCE_OHM, abs=1e-9)
    assert np.max(np.abs(scope["supply_current_A"] - scope["link_current_A"])) > 10.0


def test_the_link_gives_the_legs_what_lies_at_the_upper_rail(scope):
    upper = [scope[f"leg_{leg}_V"] > 0.5 * scope["link_voltage_V"] for leg in "abc"]
    taken = sum(np.where(on, scope[f"i{leg}_A"], 0.0) for on, leg in zip(upper, "abc", strict=True))
    assert scope["link_current_A"] == pytest.approx(taken, abs=1e-6)


def test_speed_and_angle_are_the_rig_s(scope):
    assert scope["speed_rpm"] == pytest.approx(1200.0, rel=1e-12)
    assert np.diff(np.unwrap(scope["angle_deg"], period=360.0)) == pytest.approx(1200.0 * 6.0 * 2.3e-6, rel=1e-6)
