"""The overview is drawn for every kind of recording, whole or not at all, without touching anything global."""

import subprocess
import sys

import numpy as np
import pytest
from matplotlib.image import imread
from matplotlib.text import Text
from report_fake import EXPECT, torque_steps

from simcore.report import draw_overview
from simcore.report.moments import close_look, first_step_s
from simcore.report.overview import compose


def texts(figure):
    return [text.get_text() for text in figure.findobj(lambda artist: hasattr(artist, "get_text"))]


def test_the_picture_is_a_page_of_1600_pixels(tmp_path):
    draw_overview(torque_steps(), tmp_path / "overview.png")
    assert [path.name for path in tmp_path.iterdir()] == ["overview.png"]
    pixels = imread(tmp_path / "overview.png")
    assert pixels.shape[1] == 1600 and 1100 <= pixels.shape[0] <= 1160
    # All four edges stay white: nothing is cut off.
    for edge in (pixels[:8], pixels[-8:], pixels[:, :8], pixels[:, -8:]):
        assert np.all(edge[..., :3] == 1.0)


def test_panels_name_their_units_and_the_footer_its_verdicts():
    recording = torque_steps()
    said = texts(compose(recording, []))
    panels = ("Torque (Nm)", "Currents in the rotor frame (A)", "Speed (rpm)", "Link voltage (V)", "Phase currents (A)")
    assert set(panels) <= set(said)
    footer = next(text for text in said if "energy audit residual" in text)
    assert "aim met" in footer and "least voltage margin -96.5 V at 200.4 ms" in footer


@pytest.mark.parametrize("lanes", [1, 3, 8])
def test_no_text_lies_on_another_or_leaves_the_page(lanes):
    recording = torque_steps()
    recording["binding_limit"] = np.arange(len(recording.time_s)) % lanes
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


def test_the_close_look_holds_four_electrical_periods_around_the_first_step():
    recording = torque_steps()
    begin, end, step_s = close_look(recording)
    assert step_s == 0.05 and end - begin == pytest.approx(4 / 200.0) and begin == pytest.approx(0.045)
    del recording.scenario.commands
    assert first_step_s(recording) == pytest.approx(0.05)
    still = torque_steps(0.1, rpm=0.0, steps=[(0.0, 5.0)])
    begin, end, step_s = close_look(still)
    assert step_s is None and begin == 0.0 and 0 < end <= 0.1


def test_drawing_does_not_load_pyplot():
    code = (
        "import sys; sys.path[:0] = sys.argv[1:]; from report_fake import torque_steps; "
        "from simcore.report import overview; overview.compose(torque_steps(), []); "
        "sys.exit('matplotlib.pyplot' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code, *sys.path], check=False).returncode == 0
