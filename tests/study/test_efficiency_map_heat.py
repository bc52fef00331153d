"""Points of a map at their thermal steady state: closed forms of copper loss and temperature, junctions, derated torque.

Copper's resistance goes as 235 + t (IEC 60034-1 style, from memory), so that with a thermal resistance the winding's rest is
the root of a line; a MOSFET bridge loses 3 R I^2/2 in all (J. W. Kolar, H. Ertl, F. C. Zach, IEEE TIA 27(6), 1991,
from memory).  Machine D (invented) is isotropic, so that the current follows from the torque alone.
"""

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from shared_benches import BASE, MACHINE_D, merge

from simcore import Bench
from simcore.scenario.reader import scenario_from
from simcore.study.efficiency_map.approach import Approach, SteepRoot
from simcore.study.efficiency_map.study import run_map

P, R, PSI, MOST_A, COOLANT = 4, 0.010, 0.06, 300.0, 60.0
COPPER = "(235 + t)/(235 + t0), IEC 60034-1 style [M], and a thermal resistance, closed form"
WINDING_K_PER_W, IRON_K_PER_W = 0.04, 0.02
HEAT = {
    "winding_J_per_K": 900, "iron_J_per_K": 8000, "magnet_J_per_K": 3000, "winding_to_iron_K_per_W": WINDING_K_PER_W,
    "iron_to_coolant_K_per_W": IRON_K_PER_W, "magnet_to_iron_K_per_W": 0.1, "coolant_degC": COOLANT,
}  # fmt: skip
DEVICES = {"kind": "mosfet", "on_resistance_ohm": 3e-3, "max_junction_degC": 175}
JUNCTIONS = {"coolant_degC": 65, "switch": {"foster": [[0.05, 0.01], [0.15, 0.2]]}, "sink": {"cauer": [[200, 0.01]]}}


def scenario(heat=None, **change):
    machine = {key: value for key, value in MACHINE_D.items() if key != "kind"} | ({"heat": heat} if heat else {})
    base = merge(BASE, {"controller": {"mode": "torque"}, "commands": {"torque_Nm": 0.0}})
    return scenario_from(merge(merge(base, {"machine": machine}), change), path="d.toml")


def current(torque_Nm):
    return abs(torque_Nm) / (1.5 * P * PSI)


def resting_degC(torque_Nm):
    """Winding in which a constant torque's copper loss rests: t - coolant = P0 (235 + t)/260 Rth, P0 = 1.5 R I^2 at 25 degC."""
    slope = 1.5 * R * current(torque_Nm) ** 2 * (WINDING_K_PER_W + IRON_K_PER_W) / 260.0
    return (COOLANT + 235.0 * slope) / (1.0 - slope)


@pytest.mark.parametrize("torque_Nm", [40.0, -70.0])
def test_the_winding_rests_where_its_loss_holds_it(verified, torque_Nm):
    found = run_map(scenario(HEAT), "1500", f"{torque_Nm}")
    expected = resting_degC(torque_Nm)
    what = f"winding at the thermal steady state of {torque_Nm:g} Nm in the map, machine D"
    verified(what, COPPER, expected, found["winding_degC"][0, 0], 0.35, "degC")
    loss_W = 1.5 * R * (235.0 + expected) / 260.0 * current(torque_Nm) ** 2
    assert found["loss_copper_W"][0, 0] == pytest.approx(loss_W, rel=2e-3)
    assert found["magnet_degC"][0, 0] == pytest.approx(COOLANT + IRON_K_PER_W * loss_W, abs=0.35)


@pytest.mark.parametrize("speed_rpm", [0.0, 300.0, 3000.0])
def test_junctions_rest_where_their_losses_hold_them(speed_rpm):
    found = run_map(scenario(inverter={"devices": DEVICES, "heat": JUNCTIONS}), f"{speed_rpm}", "90")
    peak_A = current(90.0)
    bridge_W = 1.5 * 3e-3 * peak_A**2
    if speed_rpm:
        mean = 65.0 + 0.01 * bridge_W + 0.2 * bridge_W / 6.0
        # The hottest moment lies above the mean, by the short time constant's swing.
        assert mean - 0.3 < found["junction_degC"][0, 0] < mean + (9.0 if speed_rpm < 1000.0 else 2.0)
    else:
        # The q axis stands a quarter turn ahead of phase a: b and c carry sqrt(3)/2 of the peak, each switch half of the time.
        hottest = 65.0 + 0.01 * bridge_W + 0.2 * 0.5 * 3e-3 * 0.75 * peak_A**2
        assert found["junction_degC"][0, 0] == pytest.approx(hottest, abs=0.8)
    assert found["loss_conduction_W"][0, 0] == pytest.approx(bridge_W, rel=5e-3)


def test_what_a_derated_winding_leaves_of_the_torque(verified):
    """Torque falls in a line between 120 and 140 degC; it rests where its loss and its limit agree."""
    heat = HEAT | {"max_winding_degC": 140.0, "derate_from_winding_degC": 120.0, "winding_to_iron_K_per_W": 0.06}
    per_W = 0.06 + IRON_K_PER_W

    def excess(winding_degC):
        torque_Nm = (140.0 - winding_degC) / 20.0 * 108.0
        return COOLANT + per_W * 1.5 * R * (235.0 + winding_degC) / 260.0 * current(torque_Nm) ** 2 - winding_degC

    expected = (140.0 - brentq(excess, 120.0, 140.0)) / 20.0 * 108.0
    found = run_map(scenario(heat), "1000:2000:2", "20:100:3")
    what = "torque that a winding derated from 120 to 140 degC leaves for good, machine D"
    for edge in found.edges:
        verified(what, f"{COPPER}; root of loss and limit", expected, edge.torque_Nm, 0.9, "Nm")
    assert {stretch.limit for stretch in found.stretches} == {"temperature"}
    # What it cannot hold is out of reach, with the torque that it holds instead.
    blocked = found.of_status("out_of_reach")
    assert [point.torque_Nm for point in blocked] == [100.0, 100.0] and blocked[0].reason.startswith("limit: temperature, ")
    assert blocked[0].torque_reached_Nm == pytest.approx(expected, abs=0.9)
    assert found.points[1].status == "ok" and 100.0 < found.points[1].winding_degC < 120.0


def test_the_steady_start_of_a_single_run_says_the_same():
    """Another way to the same temperatures: repeated runs before the run (loop/thermal_steady.py)."""
    found = run_map(scenario(HEAT, inverter={"devices": DEVICES, "heat": JUNCTIONS}), "2000", "60")
    point = found.points[0]
    recording = Bench(found.scenario_at(point)).run()
    begin = recording.closing_time_s - 0.03
    for name, allowed in (("winding_degC", 0.4), ("magnet_degC", 0.4), ("loss_copper_W", 2.0), ("loss_conduction_W", 0.5)):
        assert getattr(point, name) == pytest.approx(recording.measure(name, "mean", from_s=begin), abs=allowed), name
    assert point.junction_degC == pytest.approx(recording.measure("junction_degC", "max", from_s=begin), abs=0.4)


def test_the_way_to_a_fixed_point_of_a_line_is_short():
    """g(x) = A x + b; the solution of (1 - A) x = b is numpy's."""
    rng = np.random.default_rng(3)
    a = 0.12 * rng.standard_normal((6, 6))
    a[0, 0] = 0.5
    b = rng.uniform(20.0, 80.0, 6)
    wanted = np.linalg.solve(np.eye(6) - a, b)
    way, x = Approach(np.ones(6, dtype=bool)), np.full(6, 25.0)
    for _ in range(12):
        x = way.next(x, a @ x + b - x)
    assert np.max(np.abs(x - wanted)) < 0.05


@pytest.mark.parametrize("kink", [150.0, 168.0, 171.0])
def test_the_root_of_a_function_that_is_flat_before_a_kink_is_found(kink):
    """f(x) = least(150 + 0.2 (x - 150), what a torque cut from 165 to 180 heats) - x, as a derated winding has it."""

    def f(x):
        left = min(max((180.0 - x) / 15.0, 0.0), 1.0)
        return min(kink + 0.2 * (x - 150.0), 60.0 + 290.0 * left**2) - x

    root, x, wanted = SteepRoot(180.0), 168.0, brentq(f, 100.0, 180.0)
    for _ in range(10):
        if abs(f(x)) < 0.3:
            break
        x = root.next(x, f(x), 1.0 + 2.0 * max(f(x) + x - 60.0, 0.0) / (180.0 - x))
    assert x == pytest.approx(wanted, abs=0.4 if kink < 160.0 else 0.05)


def test_a_map_without_heat_keeps_its_given_temperatures():
    found = run_map(scenario(machine={"winding_temperature_degC": 120}), "1500", "40")
    assert found["winding_degC"][0, 0] == pytest.approx(120.0)
    assert found["loss_copper_W"][0, 0] == pytest.approx(1.5 * R * 355.0 / 260.0 * current(40.0) ** 2, rel=1e-3)


assert (P, R, PSI, MOST_A) == tuple(
    MACHINE_D[key] for key in ("pole_pairs", "stator_resistance_ohm", "magnet_flux_Wb", "max_current_A")
)
assert math.isclose(1.5 * P * PSI * MOST_A, 108.0)
