"""A recording is sliced, kept in a file, turned into a table and drawn in a notebook without losing anything."""

import numpy as np
import pytest

from simcore import load_recording

WITH_SCOPE = {"scope": [{"from_s": 0.01, "to_s": 0.011, "step_s": 1e-5}], "run": {"duration_s": 0.02}}


@pytest.fixture
def recording(run_scenario):
    return run_scenario(commands={"id_A": [[0.0, 0.0], [0.01, -50.0]]}, **WITH_SCOPE)


def test_saved_and_loaded_again_everything_is_equal(recording, tmp_path):
    kept = load_recording(recording.save(tmp_path / "run.npz"))
    assert kept.signals == recording.signals
    for name in recording:
        np.testing.assert_array_equal(kept[name], recording[name])
    assert kept.audit == recording.audit and kept.closing == recording.closing
    assert kept.scenario.machine == recording.scenario.machine
    np.testing.assert_array_equal(kept.scopes[0]["ia_A"], recording.scopes[0]["ia_A"])
    assert kept.measure("id_A", "mean", from_s=0.015) == recording.measure("id_A", "mean", from_s=0.015)
    assert [p.name for p in tmp_path.iterdir()] == ["run.npz"]


def test_the_file_needs_no_pickle(recording, tmp_path):
    with np.load(recording.save(tmp_path / "run.npz"), allow_pickle=False) as kept:
        assert all(kept[name].dtype.kind in "fu" for name in kept.files)


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 broken", b"time,x\n0,1\n"])
def test_another_file_is_refused_in_one_sentence(tmp_path, content):
    (tmp_path / "other.npz").write_bytes(content)
    with pytest.raises(ValueError, match="not a recording kept by drybench"):
        load_recording(tmp_path / "other.npz")


def test_a_slice_holds_the_rows_of_its_window(recording):
    part = recording.slice(0.005, 0.010)
    inside = (recording.time_s >= 0.005 - 1e-12) & (recording.time_s < 0.010 - 1e-12)
    np.testing.assert_array_equal(part["ia_A"], recording["ia_A"][inside])
    assert part.closing_time_s == pytest.approx(0.010)
    energy = recording.measure("power_terminal_W", "integral", from_s=0.005, to_s=0.010)
    assert part.measure("power_terminal_W", "integral") == pytest.approx(energy)
    assert len(recording.slice()) == len(recording)
    with pytest.raises(ValueError, match="no rows"):
        recording.slice(1.0, 2.0)


def test_a_frame_when_pandas_is_there(recording):
    pandas = pytest.importorskip("pandas")
    frame = recording.to_frame()
    assert isinstance(frame, pandas.DataFrame) and frame.index.name == "time_s"
    np.testing.assert_array_equal(frame["torque_Nm"], recording["torque_Nm"])


def test_without_pandas_the_remedy_is_told(recording, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "pandas", None)
    with pytest.raises(ImportError, match="pip install pandas"):
        recording.to_frame()


def test_a_notebook_shows_a_short_table(recording):
    html = recording._repr_html_()
    assert "torque_Nm" in html and "<script" not in html and len(html) < 2000


def test_an_unknown_signal_is_answered_with_a_near_one(recording):
    with pytest.raises(KeyError, match="torque_Nm"):
        recording["torqe_Nm"]
