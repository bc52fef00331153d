"""`drybench align` as a user meets it: what is printed and written, which exit status."""

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

import simcore
from simcore.cli import main
from simcore.report.interruption import SENTENCE
from simcore.report.wording import CAUTION
from simcore.study.alignment import files

FOLDER = Path(simcore.__file__).resolve().parent.parent / "scenarios"
QUICK = (
    FOLDER / "bilge_pump_start.toml", "--set", "load.inertia_kg_m2=5e-5", "--set", "load.coulomb_Nm=0.05", "--starts", "8",
    "--current-A", "5",
)  # fmt: skip


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def align(*args):
    """=> (exit status, standard output, error stream)."""
    result = CliRunner().invoke(main, ["align", *map(str, args)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout, result.stderr


def left_in(folder):
    return sorted(path.name for path in folder.rglob("*"))


def test_a_rehearsal_is_told_and_kept(folder):
    status, out, err = align(*QUICK)
    assert (status, err) == (0, "") and out.endswith(f"{CAUTION}\n")
    table = [line.split("  ")[1] for line in out.splitlines() if line.startswith("  ")]
    assert table == ["variant", "d+", "d-", "q+", "q-", "q+ then d+", "d+ from both sides"]
    assert "break-away torque 0.06 Nm" in out and "Recommended: " in out and "Never more than 2 deg off" in out
    kept = folder / "results" / "bilge_pump_start"
    assert left_in(kept) == ["align.csv", "align.json", "align.png"]
    document = json.loads((kept / "align.json").read_text())
    assert document["holding_Nm"]["break_away"] == 0.06 and len(document["variants"]) == 6
    assert document["variants"][2]["vector_deg"] == 90.0 and document["recommended"] in out
    rows = list(csv.DictReader((kept / "align.csv").open()))
    assert len(rows) >= 6 * 8 and {row["state"] for row in rows} <= {"rest", "stuck", "moving"}
    assert (kept / "align.png").read_bytes()[:4] == b"\x89PNG"


def test_a_run_s_files_in_the_folder_stay(folder):
    kept = folder / "results" / "bilge_pump_start"
    kept.mkdir(parents=True)
    (kept / "recording.npz").write_text("a run's")
    assert align(*QUICK, "--no-plot", "--quiet") == (0, "", "")
    assert left_in(kept) == ["align.csv", "align.json", "recording.npz"]


def test_stopped_while_writing_nothing_is_left(folder, monkeypatch):
    def pressed(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(files, "document", pressed)
    status, out, err = align(*QUICK, "--no-plot")
    assert (status, out) == (130, "") and SENTENCE in err and left_in(folder) == []


@pytest.mark.parametrize(
    ("args", "sentences"),
    [
        (("--current-A", "50"), ["--current-A 50: must lie above 0 and within machine.max_current_A = 30 (A). Change it."]),
        (("--starts", "2", "--error-deg", "-1"), ["--starts 2: must be from 4", "--error-deg -1: must lie above 0"]),
        (("--hold-s", "1e-6", "--move-s", "nan"), ["--move-s nan: must be from", "--hold-s 1e-06: must be from ten ticks"]),
        (("--set", "load.kind=locked"), ["a locked shaft cannot turn"]),
        (("--out", __file__), ["the results cannot be written"]),
    ],
    ids=["current", "counts", "times", "shaft", "folder"],
)
def test_wrong_wishes_are_one_sentence_each(folder, args, sentences):
    status, out, err = align(*QUICK[:1], "--set", "controller.mode=torque", "--set", "commands.torque_Nm=0", *args)
    assert (status, out) == (2, "") and left_in(folder) == []
    assert len(err.splitlines()) == len(sentences)
    for line, sentence in zip(err.splitlines(), sentences, strict=True):
        assert sentence in line


def test_a_run_that_breaks_off_could_not_finish(folder):
    light = ("--set", "load.inertia_kg_m2=1e-12", "--set", "load.viscous_Nm_s=0")
    status, out, err = align(*QUICK, *light, "--move-s", "0.01", "--hold-s", "0.01")
    assert (status, out) == (3, "") and "diverged" in err and left_in(folder) == []


def test_a_vector_stays_inside_the_flux_map(folder):
    """The tractor's map reaches from -600 A to 160 A along d; half of the 20 % that the loop lets pass is used: 236 A."""
    free = ("--set", "load.kind=free", "--set", "load.inertia_kg_m2=0.05")
    status, out, err = align(FOLDER / "torque_steps.toml", *free, "--current-A", "300")
    assert (status, out) == (2, "") and "bears 236 (A) on every side of the rotor" in err
