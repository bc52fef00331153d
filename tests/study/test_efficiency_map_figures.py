"""Figures of an efficiency map: what they draw lies where closed forms say, and reads in print."""

import math

import numpy as np
import pytest
from shared_benches import BASE, merge

from simcore.scenario.reader import scenario_from
from simcore.study.efficiency_map.colours import strain
from simcore.study.efficiency_map.field import Field
from simcore.study.efficiency_map.figures import draw_map, pages_of
from simcore.study.efficiency_map.panel import even_levels, percent_levels
from simcore.study.efficiency_map.study import run_map

P, R, PSI = 4, 0.010, 0.06


@pytest.fixture(scope="module")
def scenario():
    """Machine D, isotropic, so that torque follows iq alone; ideal legs."""
    machine = {"inductance_d_H": 0.25e-3, "inductance_q_H": 0.25e-3, "magnet_flux_Wb": PSI, "max_current_A": 300}
    change = {"machine": machine, "controller": {"mode": "torque"}, "commands": {"torque_Nm": 0.0}}
    return scenario_from(merge(BASE, change), path="d.toml")


@pytest.fixture(scope="module")
def found(scenario):
    return run_map(scenario, "500:4500:5", "-100:100:9")


def test_colours_darken_evenly():
    # CIE 1976 L* from linear sRGB, as IEC 61966-2-1 has it (from memory), by another way than the code's.
    rgb = strain()(np.linspace(0.0, 1.0, 64))[:, :3]
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    lightness = 116.0 * np.cbrt(linear @ [0.2126, 0.7152, 0.0722]) - 16.0
    steps = -np.diff(lightness)
    assert steps.min() > 0.6 and steps.max() < 2.0 and lightness[0] > 95.0 and lightness[-1] < 25.0
    assert np.allclose(strain(reverse=True)(1.0), strain()(0.0))


def test_between_the_points_the_picture_follows_the_closed_form(found):
    """Also next to zero torque, where straight lines between efficiencies would be far off."""
    field = Field(found)
    drawn = field("efficiency_machine")
    speed, torque = np.meshgrid(field.speed_rpm, field.torque_Nm)
    shaft_W = torque * speed * math.pi / 30.0
    copper_W = 1.5 * R * (torque / (1.5 * P * PSI)) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        expected = np.where(torque > 0.0, shaft_W / (shaft_W + copper_W), (shaft_W + copper_W) / shaft_W)
    inside = np.isfinite(drawn)
    assert inside.mean() > 0.9
    assert np.max(np.abs(drawn - expected)[inside]) < 2e-3
    assert np.nanmax(np.abs(field("loss_copper_W") - copper_W)) < 0.01 * 1.5 * R * 300.0**2


def test_what_was_not_asked_stays_blank(scenario):
    field = Field(run_map(scenario, "-2000:2000:3", "-60:60:3", quadrants="1"))
    assert field.speed_rpm[0] == 0.0 and field.torque_Nm[0] == 0.0 and np.isfinite(field("loss_copper_W")[:-1]).all()
    field = Field(run_map(scenario, "-2000:2000:3", "-60:60:3", quadrants="1,3"))
    speed, torque = np.meshgrid(field.speed_rpm, field.torque_Nm)
    known = np.isfinite(field("loss_copper_W"))
    assert not known[speed * torque < 0.0].any() and known[(speed * torque > 0.0) & (np.abs(torque) < 59.0)].all()


def test_nothing_is_drawn_beyond_the_envelope(scenario):
    """Machine D at 300 A gives 108 Nm (reference machine, invented)."""
    field = Field(run_map(scenario, "500:2500:3", "0:120:5"))
    drawn = field("loss_copper_W")
    reached = field.torque_Nm[np.isfinite(drawn[:, 180])]
    assert reached.max() == pytest.approx(108.0, abs=2.0)


def test_pages_of_a_plane_a_line_and_a_point(found, scenario, tmp_path):
    assert [name for name, _ in pages_of(found)] == ["map_efficiency", "map_losses", "map_limits", "map_envelope"]
    assert [name for name, _ in pages_of(run_map(scenario, "1000:2000:3", "50"))] == ["map_lines", "map_envelope"]
    assert [name for name, _ in pages_of(run_map(scenario, "1000", "-50:50:3"))] == ["map_lines"]
    assert [name for name, _ in pages_of(run_map(scenario, "1000", "50"))] == []
    draw_map(run_map(scenario, "1000", "-50:50:3"), tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["map_lines.png"]


def test_a_map_of_which_nothing_is_reached_still_draws(scenario):
    names = [name for name, _ in pages_of(run_map(scenario, "1000:2000:2", "200:300:2"))]
    assert "map_limits" not in names or names[0] == "map_efficiency"
    assert "map_envelope" in names


def test_levels_are_round_and_share_the_area():
    percent = np.linspace(80.0, 99.0, 4000)
    levels = percent_levels(percent, 8)
    assert 4 <= len(levels) <= 8 and all(80.0 < level < 99.0 for level in levels)
    assert percent_levels(np.array([math.nan])) == ()
    assert even_levels(np.array([5.0, 5.0, math.nan])) == () and even_levels(np.array([])) == ()
    assert even_levels(np.linspace(0.0, 90.0, 50), 9) == (10.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0)
