"""The pictures of sweeps and tolerance studies show what was measured, where the limits lie and what was not met."""

import math
import struct

import numpy as np
import pytest

from simcore.scenario.axis import Axis
from simcore.study.points.columns import measure_names, short_keys, write_points
from simcore.study.points.point import Point
from simcore.study.sweep import figure as sweep_figure
from simcore.study.sweep.grid import Sweep
from simcore.study.tolerance import figure as study_figure
from simcore.study.tolerance.study import ToleranceStudy

CURRENT = {"signal": "iq_A", "measure": "mean", "min": 1.0, "max": 3.0}
SETTLES = {"signal": "iq_A", "measure": "settling_time_s", "step_at_s": 0.01, "max": 0.002}


def sweep_of(make_scenario, axes, measured, expect=(CURRENT,)):
    scenario = make_scenario(commands={"iq_A": [[0.0, 0.0], [0.01, 5.0]]}, expect=list(expect))
    rows = np.reshape(measured, (-1, len(expect)))
    passed = [[low <= value <= high for value, (low, high) in zip(row, LIMITS, strict=False)] for row in rows]
    grid = [(value,) for value in axes[0].values]
    if len(axes) == 2:
        grid = [(a, b) for a in axes[0].values for b in axes[1].values]
    points = tuple(
        Point(k, values, tuple(map(float, row)), tuple(held))
        for k, (values, row, held) in enumerate(zip(grid, rows, passed, strict=True))
    )
    return Sweep(scenario, tuple(axes), points)


LIMITS = ((1.0, 3.0), (-math.inf, 0.002))


def crosses(axes):
    found = [line.get_xydata() for line in axes.lines if line.get_marker() == "x" and len(line.get_xydata())]
    return np.unique(np.round(np.concatenate(found), 9), axis=0).tolist() if found else []


def inside_the_page(figure):
    figure.canvas.draw()
    page = figure.bbox
    for text in [*figure.texts, *(axes._left_title for axes in figure.axes)]:
        box = text.get_window_extent()
        assert box.x0 >= -1.0 and box.x1 <= page.x1 + 1.0 and box.y0 >= -1.0 and box.y1 <= page.y1 + 1.0, text


def test_a_line_shows_each_point_its_limits_and_what_was_not_met(make_scenario):
    sweep = sweep_of(make_scenario, [Axis("run.seed", (3, 1, 2, 4))], [2.0, 0.5, 2.5, math.nan])
    figure = sweep_figure.compose(sweep)
    (axes,) = figure.axes
    drawn = next(line for line in axes.lines if line.get_marker() == ".")
    assert drawn.get_xydata()[:3].tolist() == [[1.0, 0.5], [2.0, 2.5], [3.0, 2.0]]
    assert crosses(axes) == [[1.0, 0.5]]
    levels = {float(line.get_ydata()[0]) for line in axes.lines if line.get_linestyle() == "--"}
    assert levels == {1.0, 3.0}
    assert axes.get_xlabel() == "run.seed"
    # The point without a value has a grey line.
    assert any(list(line.get_xdata()) == [4, 4] for line in axes.lines)
    inside_the_page(figure)


def test_short_times_stand_in_milliseconds_with_their_limit(make_scenario):
    sweep = sweep_of(make_scenario, [Axis("run.seed", (1, 2))], [[2.0, 0.001], [2.0, 0.003]], (CURRENT, SETTLES))
    axes = sweep_figure.compose(sweep).axes[1]
    assert axes.get_title("left") == "settling_time_s of iq_A (ms)"
    assert crosses(axes) == [[2.0, 3.0]]
    assert any(line.get_linestyle() == "--" and line.get_ydata()[0] == pytest.approx(2.0) for line in axes.lines)


def test_words_stand_at_their_places(make_scenario):
    sweep = sweep_of(make_scenario, [Axis("inverter.modulation", ("sine", "svpwm", "dpwm1"))], [2.0, 2.1, 5.0])
    (axes,) = sweep_figure.compose(sweep).axes
    assert [label.get_text() for label in axes.get_xticklabels()] == ["sine", "svpwm", "dpwm1"]
    assert crosses(axes) == [[2.0, 5.0]]


def test_a_map_puts_each_point_into_its_cell_whatever_the_order_of_values(make_scenario):
    # Values fall along the first key and rise along the second: cells are sorted, crosses follow.
    axes = [Axis("run.substeps", (4, 2)), Axis("run.seed", (1, 2, 3))]
    figure = sweep_figure.compose(sweep_of(make_scenario, axes, [2.0, 2.1, 2.2, 1.5, 5.0, math.nan]))
    panel = figure.axes[0]
    (mesh,) = panel.collections
    assert np.ma.filled(mesh.get_array(), -1.0).reshape(2, 3).tolist() == [[1.5, 5.0, -1.0], [2.0, 2.1, 2.2]]
    assert crosses(panel) == [[1.5, 0.5]]
    assert (panel.get_xlabel(), panel.get_ylabel()) == ("run.seed", "run.substeps")
    assert [label.get_text() for label in panel.get_yticklabels()] == ["2", "4"]
    inside_the_page(figure)


def test_many_measures_leave_room_for_those_that_fail(make_scenario):
    expect = [{**CURRENT, "max": 3.0 + k} for k in range(12)]
    scenario = make_scenario(commands={"iq_A": 5.0}, expect=expect)
    points = tuple(Point(k, (k,), (2.0,) * 12, tuple(j != 11 for j in range(12))) for k in range(3))
    figure = sweep_figure.compose(Sweep(scenario, (Axis("run.seed", (0, 1, 2)),), points))
    assert len(figure.axes) == sweep_figure.MOST_PANELS
    assert any(len(crosses(axes)) == 3 for axes in figure.axes)
    assert any("3 more measures" in text.get_text() for text in figure.texts)


def study_of(make_scenario, values, nominal=2.0, errors=()):
    scenario = make_scenario(
        commands={"iq_A": 2.0}, expect=[CURRENT],
        tolerance={"machine": {"magnet_flux_Wb": {"uniform_percent": 5}, "stator_resistance_ohm": {"uniform_percent": 5}}},
    )  # fmt: skip
    random = np.random.default_rng(1)
    points = tuple(
        Point(k, (0.07 + 0.001 * (value if math.isfinite(value) else 0.0), random.uniform()), (value,),
              (1.0 <= value <= 3.0 and k not in errors,), "diverged" if k in errors else None)
        for k, value in enumerate(values)
    )  # fmt: skip
    return ToleranceStudy(scenario, points, Point(-1, (0.07, 0.01), (nominal,), (True,)), "sobol", 1)


def bars(axes):
    return [patch for patch in axes.patches if patch.get_height() > 0.0]


def test_a_histogram_counts_every_draw_and_reddens_those_not_met(make_scenario):
    values = np.concatenate([np.linspace(1.2, 2.9, 90), np.linspace(3.1, 3.4, 10)])
    figure = study_figure.compose(study_of(make_scenario, values))
    scatter, drivers = figure.axes
    counted = sum(patch.get_height() for patch in bars(scatter))
    red = [patch for patch in bars(scatter) if patch.get_facecolor()[0] > 0.5]
    assert counted == 100 and sum(patch.get_height() for patch in red) == 10
    assert all(patch.get_x() > 2.9 for patch in red)
    assert any(line.get_linestyle() == "--" and line.get_xdata()[0] == 3.0 for line in scatter.lines)
    assert any(line.get_marker() == "^" and line.get_xdata()[0] == 2.0 for line in scatter.lines)
    assert "90.0 %" in scatter.get_title("left")
    labels = [label.get_text() for label in drivers.get_yticklabels()]
    assert labels == ["magnet_flux_Wb", "stator_resistance_ohm"]
    assert drivers.patches[0].get_width() == pytest.approx(1.0, abs=0.02)
    inside_the_page(figure)


def test_draws_that_broke_off_are_told_and_have_no_bar(make_scenario):
    figure = study_figure.compose(study_of(make_scenario, [2.0, 2.1, math.nan, 2.2], errors=(2,)))
    assert sum(patch.get_height() for patch in bars(figure.axes[0])) == 3
    assert any("1 draws broke off" in text.get_text() for text in figure.texts)


def test_nothing_to_draw_is_said(make_scenario):
    figure = study_figure.compose(study_of(make_scenario, [math.nan] * 5, nominal=math.nan, errors=range(5)))
    assert any("no draw has a value" in text.get_text() for text in figure.axes[0].texts)


def test_pictures_are_pages_of_1600_pixels(make_scenario, tmp_path):
    sweep_figure.draw_sweep(sweep_of(make_scenario, [Axis("run.seed", (1, 2))], [2.0, 2.1]), tmp_path / "sweep.png")
    study_figure.draw_study(study_of(make_scenario, [2.0, 2.1, 2.2]), tmp_path / "tolerance.png")
    for name in ("sweep.png", "tolerance.png"):
        assert struct.unpack(">II", (tmp_path / name).read_bytes()[16:24]) == (1600, 1131)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["sweep.png", "tolerance.png"]


# Columns and names.


def test_columns_name_what_the_expectation_asks_and_differ(make_scenario):
    expect = [
        {**CURRENT, "from_s": 0.01, "to_s": 0.02}, SETTLES, {**SETTLES, "max": 0.003},
        {"signal": "iq_A", "measure": "harmonic_amplitude", "order": 6, "max": 1.0},
    ]  # fmt: skip
    scenario = make_scenario(commands={"iq_A": [[0.0, 0.0], [0.01, 5.0]]}, expect=expect)
    assert measure_names(scenario.expect) == [
        "iq_A.mean.from_0.01.to_0.02", "iq_A.settling_time_s.step_0.01.band_2", "iq_A.settling_time_s.step_0.01.band_2.3",
        "iq_A.harmonic_amplitude.order_6",
    ]  # fmt: skip


def test_short_keys_keep_what_tells_them_apart():
    gains = ["sensors.current.gain.0", "sensors.link_voltage.gain", "sensors.current.gain.1"]
    assert short_keys(["machine.magnet_flux_Wb", *gains, "a.x", "b.x"]) == [
        "magnet_flux_Wb", "gain.0", "gain", "gain.1", "a.x", "b.x",
    ]  # fmt: skip


def test_a_line_of_the_file_has_all_digits_or_nothing(make_scenario, tmp_path):
    scenario = make_scenario(expect=[CURRENT])
    points = [Point(0, (0.1 + 0.2, True), (1.0 / 3.0,), (True,)), Point(1, (2, False), (math.nan,), (False,), 'a "wrong", one')]
    columns = {"x": [point.values[0] for point in points], "on": [point.values[1] for point in points]}
    write_points(tmp_path / "points.csv", columns, points, scenario.expect)
    assert (tmp_path / "points.csv").read_text().splitlines() == [
        "x,on,iq_A.mean,met,error", "0.30000000000000004,true,0.3333333333333333,1,", '2,false,,0,"a ""wrong"", one"',
    ]  # fmt: skip
