"""The overview is drawn for every kind of recording, whole or not at all, without touching anything global."""

import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.colors import to_rgb
from matplotlib.image import imread
from matplotlib.text import Text
from report_fake import EXPECT, torque_steps

from simcore.report import draw_overview
from simcore.report.moments import close_look, first_step_s
from simcore.report.overview import _SHADE, compose


def texts(figure):
    return [text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))]


def test_the_picture_is_a_page_of_1600_pixels(tmp_path):
    draw_overview(torque_steps(), tmp_path / "overview.png")
    assert [path.name for path in tmp_path.iterdir()] == ["overview.png"]
    pixels = imread(tmp_path / "overview.png")
    assert pixels.shape[1] == 1600 and 1100 <= pixels.shape[0] <= 1160
    # All four edges stay white: nothing is cut off.
    for edge in (pixels[:12], pixels[-12:], pixels[:, :12], pixels[:, -12:]):
        assert np.all(edge[..., :3] == 1.0)


def test_panels_name_their_units_and_the_footer_its_verdicts():
    recording = torque_steps()
    said = texts(compose(recording, []))
    panels = {"Torque (Nm)", "Currents in the rotor frame (A)", "Speed (rpm)", "Link voltage (V)"}
    assert panels | {"Phase currents, first step (A)"} <= set(said)
    footer = next(text for text in said if "energy audit residual" in text)
    assert "aim met" in footer
    # A Gauss pulse of 200 V under 165 V of margin and of 0.2 ms half width: six rows of 6000 lie below zero.
    assert footer.endswith("least voltage margin -96.5 V at 200.4 ms, in a transient: negative 0.1 % of the time")
    recording["voltage_margin_V"][:600] = -5.0
    assert any(text.endswith("200.4 ms, negative 10.1 % of the time") for text in texts(compose(recording, [])))


@pytest.mark.parametrize("lanes, ramps", [(1, False), (3, True), (8, False), (0, False)])
def test_no_text_lies_on_another_or_leaves_the_page(lanes, ramps):
    recording = torque_steps()
    if ramps:
        ramp = profile((0.0, 0.0), (0.2, 3000.0), shape="linear")
        recording.scenario.commands = SimpleNamespace(speed_rpm=ramp)
    if lanes:
        recording["binding_limit"] = np.arange(len(recording.time_s)) % lanes
    else:
        recording["binding_limit"] = 1.0 * (np.arange(len(recording.time_s)) == 1234)
    verdicts = [
        {**one, "signal": "torque_estimate_Nm", "value": -123.456, "passed": False,
         "limit": {"min": -1234.5, "max": 123.45}, "to_s": 0.123456, "from_s": 0.0123456}
        for one in EXPECT * 2
    ]  # fmt: skip
    figure = compose(recording, verdicts)
    renderer = figure.canvas.get_renderer()
    figure.draw(renderer)
    hidden = _unpainted(figure)
    drawn = [text for text in figure.findobj(Text) if text.get_text().strip() and text not in hidden]
    boxes = [(text.get_text(), text.get_window_extent(renderer)) for text in drawn]
    assert len(boxes) > 50
    for k, (words, box) in enumerate(boxes):
        assert box.x0 >= 0 and box.y0 >= 0 and box.x1 <= figure.bbox.x1 and box.y1 <= figure.bbox.y1, words
        for other, second in boxes[k + 1 :]:
            across = min(box.x1, second.x1) - max(box.x0, second.x0)
            down = min(box.y1, second.y1) - max(box.y0, second.y0)
            assert across < 1.0 or down < 2.5, f"{words!r} lies on {other!r}"


def _unpainted(figure):
    """Tick labels that exist but do not show: beyond the limits, or of panels without a frame."""
    hidden = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            for tick in axis.majorTicks:
                shown = axes.axison and low <= tick.get_loc() <= high
                hidden |= {label for label in (tick.label1, tick.label2) if not (shown and label.get_visible())}
    return hidden


@pytest.mark.filterwarnings("ignore:Glyph")
def test_missing_signals_gaps_standstill_and_odd_titles_are_drawn(tmp_path):
    recording = torque_steps(0.02, rpm=0.0, steps=[(0.0, 10.0)], title=r"cost $5 \frac [controller] 港")
    recording["link_voltage_V"][:] = np.nan
    recording["torque_Nm"][50:90] = np.inf
    for name in ("id_reference_A", "angle_error_deg", "binding_limit", "voltage_margin_V", "ia_A"):
        del recording[name]
    recording.audit = {}
    recording.error = "cut short"
    figure = compose(recording, [])
    said = texts(figure)
    assert said.count("not recorded") == 3 and any(text.startswith("RUN CUT SHORT") for text in said)
    draw_overview(recording, tmp_path / "odd.png")
    recording.time_s = recording.time_s[:0]
    with pytest.raises(ValueError, match="no rows"):
        draw_overview(recording, tmp_path / "empty.png")
    assert [path.name for path in tmp_path.iterdir()] == ["odd.png"]


def test_a_failing_picture_leaves_the_old_one(tmp_path, monkeypatch):
    from matplotlib.figure import Figure

    (tmp_path / "overview.png").write_bytes(b"old")

    def break_off(self, path, **_):
        path.write_bytes(b"half")
        raise KeyboardInterrupt

    monkeypatch.setattr(Figure, "savefig", break_off)
    with pytest.raises(KeyboardInterrupt):
        draw_overview(torque_steps(), tmp_path / "overview.png")
    assert (tmp_path / "overview.png").read_bytes() == b"old" and len(list(tmp_path.iterdir())) == 1


def profile(*points, shape="step"):
    times, values = zip(*points, strict=True)
    return SimpleNamespace(times=times, values=values, shape=shape)


def test_the_close_look_holds_four_electrical_periods_around_the_first_step():
    recording = torque_steps()
    look = close_look(recording)
    assert (look.at_s, look.what) == (0.05, "first step")
    assert look.to_s - look.from_s == pytest.approx(4 / 200.0) and look.from_s == pytest.approx(0.045)
    del recording.scenario.commands
    assert first_step_s(recording) == pytest.approx(0.05)
    look = close_look(torque_steps(0.1, rpm=0.0, steps=[(0.0, 5.0)]))
    assert look.what == "start" and look.from_s == 0.0 and 0 < look.to_s <= 0.1


def test_a_ramp_is_no_step_and_a_point_of_the_same_value_neither():
    recording = torque_steps()
    commands = recording.scenario.commands
    commands.speed_rpm = profile((0.01, 0.0), (0.03, 3000.0), shape="linear")
    commands.iq_A = profile((0.0, 0.0), (0.02, 0.0), (0.15, 5.0))
    assert close_look(recording)[2:] == (0.05, "first step")
    commands.torque_Nm = 150.0
    assert close_look(recording)[2:] == (0.15, "first step")


def test_with_ramps_only_the_close_look_lies_around_the_largest_current():
    recording = torque_steps()
    recording["id_A"][:] = 0.0
    recording["iq_A"][:] = np.interp(recording.time_s, [0.0, 0.2, 0.3], [0.0, 80.0, 10.0])
    recording.scenario.commands = SimpleNamespace(speed_rpm=profile((0.0, 0.0), (0.2, 3000.0), shape="linear"))
    look = close_look(recording)
    assert look.what == "largest current" and look.at_s == pytest.approx(0.2)
    assert (look.from_s, look.to_s) == (pytest.approx(0.19), pytest.approx(0.21))
    assert "Phase currents, the largest (A)" in texts(compose(recording, []))
    # A load that ramps counts alike; one that steps is looked at where the shaft turns.
    recording.scenario.commands = SimpleNamespace()
    recording.scenario.load = SimpleNamespace(kind="free", torque_Nm=profile((0.0, 0.0), (0.1, 5.0), shape="linear"))
    assert close_look(recording).what == "largest current"
    recording.scenario.load.torque_Nm = profile((0.0, 0.0), (0.1, 5.0))
    assert close_look(recording)[2:] == (0.1, "load step")
    recording["speed_rpm"][:2500] = 0.0
    assert close_look(recording).what == "largest current"


def test_an_ideal_position_sensor_leaves_a_note_instead_of_a_flat_line():
    recording = torque_steps()
    recording.scenario.sensors = SimpleNamespace(position=SimpleNamespace(kind="ideal"))
    assert "ideal sensor: no error" not in texts(compose(recording, []))
    recording["angle_error_deg"][:] = 0.0
    said = texts(compose(recording, []))
    assert "ideal sensor: no error" in said and "Angle error, measured minus true (deg electrical)" in said
    recording.scenario.sensors.position.kind = "resolver"
    assert "ideal sensor: no error" not in texts(compose(recording, []))


def test_a_controller_without_reports_is_said_to_have_none():
    recording = torque_steps()
    recording["binding_limit"][:] = 0
    recording["voltage_margin_V"][:] = np.nan
    said = texts(compose(recording, []))
    assert "not reported by this controller" in said and "100.0 %" not in said
    assert any(text.endswith("voltage margin not reported") for text in said)


def test_a_limit_that_bound_for_one_row_is_seen():
    recording = torque_steps(3.0)
    recording["binding_limit"] = 1.0 * (recording.time_s == recording.time_s[1234])
    strip = next(axes for axes in compose(recording, []).axes if axes.get_title(loc="left").startswith("Limit"))
    (seen,) = strip.collections[1].get_paths()
    assert np.ptp(seen.vertices[:, 0]) == pytest.approx(0.006) and "< 0.1 %" in texts(strip.figure)


def test_references_lie_beneath_what_was_measured_and_are_thinner():
    axes = compose(torque_steps(), []).axes[:2]
    for panel in axes:
        lines = {line.get_label(): line for line in panel.get_lines()}
        measured = [line for name, line in lines.items() if "reference" not in name]
        for name in set(lines) - {line.get_label() for line in measured}:
            assert all(lines[name].get_zorder() < line.get_zorder() for line in measured)
            assert all(lines[name].get_linewidth() < line.get_linewidth() for line in measured)


def test_a_run_of_one_row_is_seen_and_nothing_is_shaded(tmp_path):
    recording = torque_steps(50e-6, steps=[(0.0, 5.0)])
    figure = compose(recording, [])
    assert all(line.get_marker() == "." for axes in figure.axes[:4] for line in axes.get_lines())
    assert not any(patch.get_facecolor()[:3] == to_rgb(_SHADE["facecolor"]) for axes in figure.axes for patch in axes.patches)
    assert "time from the start (ms), the whole run" in texts(figure)


@pytest.mark.parametrize("count, listed, more", [(0, 0, None), (3, 3, None), (12, 12, None), (20, 11, 9)])
def test_twelve_expectations_find_room_and_failed_ones_come_first(count, listed, more):
    recording = torque_steps()
    verdicts = [{**EXPECT[0], "value": 0.001, "limit": {"max": 0.004}, "passed": True} for _ in range(count)]
    if verdicts:
        verdicts[-1] |= {"passed": False}
    said = texts(compose(recording, verdicts))
    assert said.count("settling_time_s of torque_Nm") == listed and said.count("NOT MET") == min(count, 1)
    assert (f"and {more} more in metrics.json" in said) == (more is not None)
    assert ("The scenario states none." in said) == (count == 0)


def test_what_is_too_long_for_the_page_is_cut_with_dots_and_enormous_numbers_get_an_exponent():
    recording = torque_steps(title="W" * 300)
    recording.scenario.name = "w" * 200
    recording["iq_A"] *= 1e9
    verdicts = [
        {"signal": "controller_" + "flux_" * 20 + "Wb", "measure": "mean", "value": -1.234567e-7, "passed": False,
         "limit": {"equal": 1.5e9, "tolerance": 2.5e8}, "from_s": 0.0, "to_s": 0.1},
    ]  # fmt: skip
    figure = compose(recording, verdicts)
    figure.draw(figure.canvas.get_renderer())
    shown = [text for text in figure.findobj(Text) if text.get_text().strip() and text not in _unpainted(figure)]
    for text in shown:
        box = text.get_window_extent()
        assert 0 <= box.x0 and box.x1 <= figure.bbox.x1, text.get_text()
    said = [text.get_text() for text in shown]
    assert sum(text.startswith("WWW") and text.endswith("...") for text in said) == 1
    assert any(text.startswith("mean of controller_flux_") and text.endswith("...") for text in said)
    assert "\N{MINUS SIGN}2e11" in said


def test_drawing_does_not_load_pyplot():
    code = (
        "import sys; sys.path[:0] = sys.argv[1:]; from report_fake import torque_steps; "
        "from simcore.report import overview; overview.compose(torque_steps(), []); "
        "sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code, *sys.path], check=False).returncode == 0
