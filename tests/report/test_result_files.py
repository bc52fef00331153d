"""The result folder: exact forms, plain numbers, and nothing half-written whenever the run is stopped."""

import json
import os
import tracemalloc
import zipfile

import numpy as np
import pytest
from report_fake import EXPECT, torque_steps

from simcore.measure import judge
from simcore.report import files, write_results


@pytest.fixture(scope="module")
def recording():
    recording = torque_steps()
    recording.scopes = ({"leg_a_V": np.arange(5.0), "time_s": np.arange(5) * 5e-7},)
    return recording


def write(recording, folder, **options):
    return write_results(recording, judge(recording, recording.scenario.expect), folder, plot=False, **options)


def test_the_recording_reads_back_array_by_array(recording, tmp_path):
    folder = write(recording, tmp_path / "results" / "torque_steps")
    stored = np.load(folder / "recording.npz", allow_pickle=False)
    assert stored.files == ["time_s", *recording.signals]
    for name in recording.signals:
        np.testing.assert_array_equal(stored[name], recording[name])
    scope = np.load(folder / "scope_1.npz", allow_pickle=False)
    assert scope.files == ["time_s", "leg_a_V"] and scope["leg_a_V"][4] == 4.0
    assert (folder / "resolved.toml").read_text() == recording.resolved_text
    assert [path.name for path in folder.parent.iterdir()] == ["torque_steps"]


def test_equal_recordings_give_equal_files(recording, tmp_path):
    one, two = write(recording, tmp_path / "one"), write(recording, tmp_path / "two")
    assert (one / "recording.npz").read_bytes() == (two / "recording.npz").read_bytes()


def test_metrics_have_the_form_of_the_language(recording, tmp_path):
    recording.audit["losses_J"]["iron"] = np.float64("nan")
    folder = write(recording, tmp_path / "torque_steps")
    recording.audit["losses_J"]["iron"] = 0.0

    def refuse(word):
        raise AssertionError(f"{word} is not JSON")

    content = json.loads((folder / "metrics.json").read_text(), parse_constant=refuse)
    assert content["scenario"] == "torque_steps" and content["status"] == "failed" and content["drybench"]
    assert content["audit"]["losses_J"]["iron"] is None and content["audit"]["energy_in_J"] == 5200.0
    first = content["expectations"][0]
    assert (first["signal"], first["measure"], first["limit"], first["passed"]) == (
        "torque_Nm", "settling_time_s", {"max": 0.004}, True,
    )  # fmt: skip
    assert content["timing"]["real_time_factor"] == 142.9
    summary = content["summary"]
    assert summary["binding_limit_codes"]["voltage"] == 2 and summary["speed_rpm_mean"] == pytest.approx(3000.0)
    assert sum(summary["binding_limit_shares"].values()) == pytest.approx(1.0)


@pytest.mark.parametrize(
    "error, limit, status", [(None, 1e9, "ok"), (None, 0.0, "failed"), ("it diverged", 1e9, "error")]
)
def test_the_status_follows_from_error_and_verdicts(tmp_path, error, limit, status):
    recording = torque_steps(0.1)
    recording.scenario.expect = ({"signal": "torque_Nm", "measure": "max", "max": limit},)
    recording.error = error
    content = json.loads((write(recording, tmp_path / "x") / "metrics.json").read_text())
    assert content["status"] == status and content.get("error") == error


def test_csv_has_a_header_and_all_rows(recording, tmp_path):
    folder = write(recording, tmp_path / "x", csv=True)
    with open(folder / "recording.csv") as file:
        header = file.readline().strip().split(",")
        rows = np.loadtxt(file, delimiter=",")
    assert header == ["time_s", *recording.signals] and rows.shape == (len(recording.time_s), len(header))
    np.testing.assert_allclose(rows[:, header.index("iq_A")], recording["iq_A"], rtol=1e-8)


def test_the_picture_comes_with_it_when_asked(recording, tmp_path):
    write_results(recording, judge(recording, EXPECT), tmp_path / "x", plot=True)
    assert (tmp_path / "x" / "overview.png").read_bytes().startswith(b"\x89PNG")


def test_a_second_run_replaces_its_own_files_and_keeps_foreign_ones(recording, tmp_path):
    folder = write(recording, tmp_path / "x", csv=True)
    (folder / "my_notes.txt").write_text("keep me")
    (folder / "figures").mkdir()
    (folder / "scope_final.npz").write_bytes(b"not a run's")
    quiet = torque_steps(0.1)
    write(quiet, folder)
    names = {path.name for path in folder.iterdir()}
    assert names == {"recording.npz", "metrics.json", "resolved.toml", "my_notes.txt", "figures", "scope_final.npz"}
    assert len(np.load(folder / "recording.npz")["time_s"]) == len(quiet.time_s)


@pytest.mark.parametrize("stop_at", ["recording.npz", "scope_1.npz", "metrics.json"])
@pytest.mark.parametrize("reason", [KeyboardInterrupt, OSError])
def test_an_interruption_while_writing_leaves_the_older_result_whole(recording, tmp_path, monkeypatch, stop_at, reason):
    folder = write(recording, tmp_path / "x")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    real_npz, real_dumps = files.write_npz, files.json.dumps

    def npz(path, named):
        if path.name == stop_at:
            path.write_bytes(b"half")
            raise reason
        real_npz(path, named)

    def dumps(*args, **options):
        if stop_at == "metrics.json":
            raise reason
        return real_dumps(*args, **options)

    monkeypatch.setattr(files, "write_npz", npz)
    monkeypatch.setattr(files.json, "dumps", dumps)
    shorter = torque_steps(0.1)
    shorter.scopes = recording.scopes
    with pytest.raises(reason):
        write(shorter, folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    with pytest.raises(reason):
        write(shorter, tmp_path / "new")
    assert [path.name for path in tmp_path.iterdir()] == ["x"]


def test_an_interruption_while_swapping_ends_with_the_new_result_whole(recording, tmp_path, monkeypatch):
    folder = write(recording, tmp_path / "x", csv=True)
    real, calls = os.replace, []

    def replace(source, target):
        calls.append(target)
        if len(calls) == 2:
            raise KeyboardInterrupt
        real(source, target)

    monkeypatch.setattr(files.os, "replace", replace)
    with pytest.raises(KeyboardInterrupt):
        write(torque_steps(0.1), folder)
    assert {path.name for path in folder.iterdir()} == {"recording.npz", "metrics.json", "resolved.toml"}
    assert len(np.load(folder / "recording.npz")["time_s"]) == 2000
    assert [path.name for path in tmp_path.iterdir()] == ["x"]


def test_a_long_recording_is_written_one_signal_after_another(tmp_path):
    def signals():
        for k in range(12):
            yield f"signal_{k}", np.full(500_000, float(k))

    tracemalloc.start()
    files.write_npz(tmp_path / "x.npz", signals())
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 3 * 500_000 * 8


def test_objects_are_refused(tmp_path):
    with pytest.raises(TypeError, match="never objects"):
        files.write_npz(tmp_path / "x.npz", [("a", np.array([None]))])


def test_an_archive_member_is_stored_as_it_is(recording, tmp_path):
    folder = write(recording, tmp_path / "x")
    with zipfile.ZipFile(folder / "recording.npz") as archive:
        assert archive.testzip() is None and all(info.date_time[0] == 1980 for info in archive.infolist())
