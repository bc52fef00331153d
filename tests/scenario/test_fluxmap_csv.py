"""Flux maps from CSV: the grid, the faults that are told, the maps that are refused."""

import os
from pathlib import Path

import numpy as np
import pytest
from scenario_texts import good, problems_of, spoiled, write

from simcore.scenario import load_scenario
from simcore.scenario.errors import FileProblem
from simcore.scenario.fluxmap_csv import read_flux_map

OUTSIDE = Path(os.environ.get("DRYBENCH_OUTSIDE_DATA", Path(__file__).parents[2].parent / "shared" / "data"))
MEASURED = OUTSIDE / "measured_ipm_fluxmap.csv"
MEASURED_COLUMNS = {"psi_d_Wb": "psi_d_Vs", "psi_q_Wb": "psi_q_Vs"}
needs_measured = pytest.mark.skipif(not MEASURED.is_file(), reason=f"outside data not found: {MEASURED}")


def saturating(id_A, iq_A):
    """Slopes of W = 0.07 d + 0.05e-3 d^2 + 0.1e-3 q^2 + 10 size: reciprocal, psi_d even and psi_q odd in iq."""
    size = np.sqrt(1.0 + (iq_A / 400.0) ** 2 + ((id_A + 50.0) / 800.0) ** 2)
    psi_d = 0.07 + 0.1e-3 * id_A + 10.0 * (id_A + 50.0) / 800.0**2 / size
    return psi_d, 0.2e-3 * iq_A + 10.0 * iq_A / 400.0**2 / size


def rows(id_A=range(-300, 101, 50), iq_A=range(-300, 301, 50), fluxes=saturating):
    """Rows of a map file: header and points."""
    points = [(d, q, *fluxes(float(d), float(q))) for d in id_A for q in iq_A]
    return ["id_A,iq_A,psi_d_Wb,psi_q_Wb", *[",".join(repr(float(v)) for v in p) for p in points]]


def save(folder, lines, name="map.csv"):
    path = folder / name
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def refused(path, columns=None):
    with pytest.raises(FileProblem) as caught:
        read_flux_map(path, columns)
    return str(caught.value)


def test_a_good_map_is_read_without_findings(tmp_path):
    data = read_flux_map(save(tmp_path, rows()))
    assert data.id_A.tolist() == list(range(-300, 101, 50)) and data.iq_A.tolist() == list(range(-300, 301, 50))
    d, q = np.meshgrid(data.id_A, data.iq_A, indexing="ij")
    np.testing.assert_array_equal((data.psi_d_Wb, data.psi_q_Wb), saturating(d, q))
    assert data.findings == ()


def test_the_order_of_rows_and_columns_does_not_matter(tmp_path):
    head, *points = rows()
    shuffled = [points[k] for k in np.random.default_rng(1).permutation(len(points))]
    swapped = ["note,psi_q,psi_d,q,d"] + [",".join(["x", *reversed(p.split(","))]) for p in shuffled]
    columns = {"id_A": "d", "iq_A": "q", "psi_d_Wb": "psi_d", "psi_q_Wb": "psi_q"}
    assert read_flux_map(save(tmp_path, swapped, "b.csv"), columns) == read_flux_map(save(tmp_path, [head, *points]))


@pytest.mark.parametrize("delimiter", [";", "\t", ", "])
def test_other_separators_comments_and_blank_lines(tmp_path, delimiter):
    lines = ["# made by hand", ""] + [line.replace(",", delimiter) for line in rows()]
    assert read_flux_map(save(tmp_path, lines)) == read_flux_map(save(tmp_path, rows(), "b.csv"))


def test_currents_that_differ_by_rounding_are_one(tmp_path):
    lines = rows()
    lines[5] = lines[5].replace("-300.0", "-300.0000001", 1)
    assert read_flux_map(save(tmp_path, lines)).psi_d_Wb.shape == (9, 13)


def edited(edit):
    lines = rows()
    edit(lines)
    return lines


def set_cell(line, column, text):
    def edit(lines):
        cells = lines[line - 1].split(",")
        cells[column] = text
        lines[line - 1] = ",".join(cells)

    return edit


def drop(*numbers):
    def edit(lines):
        for number in sorted(numbers, reverse=True):
            del lines[number - 1]

    return edit


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (["id,iq_A,psi_d_Wb,psi_q_Wb", "1,2,3,4"], ['no column "id_A"', '"id", "iq_A"', 'columns = { id_A = "id" }']),
        (["id_A,id_A,iq_A,psi_d_Wb,psi_q_Wb"], ['"id_A" stands 2 times']),
        (edited(set_cell(7, 2, "abc")), ['line 7, column "psi_d_Wb": "abc" is not a finite number', "Mend"]),
        (edited(set_cell(7, 3, "nan")), ['line 7, column "psi_q_Wb": "nan"']),
        (edited(set_cell(9, 0, "")), ['line 9, column "id_A": ""']),
        (edited(lambda r: r.__setitem__(4, "1,2")), ['line 5, column "psi_d_Wb": ""']),
        (
            edited(lambda r: r.append(r[3])),
            ["lines 4 and 119 hold the same point (id = -300 A, iq = -200 A)", "Keep one"],
        ),
        (edited(drop(20)), ["1 gaps, at (id, iq) = (-250, -50) A", "Add these points"]),
        (rows(id_A=(-100, 0, 100)), ["3 values of id and 13 of iq", "at least 4 of each"]),
        (rows()[:1], ["0 values of id"]),
        ([""], ["the file is empty"]),
        (rows(fluxes=lambda d, q: (70 + d * 0.1, q * 0.5)), ["above 10 Wb: a slip of the unit", "mWb divided by 1000"]),
        (rows(fluxes=lambda d, q: (0.0, 0.0)), ["below 1e-6 Wb"]),
        (rows(id_A=(1e300, 2e300, 3e300, 4e300), fluxes=lambda d, q: (0.1, 0.1)), ["currents above 1e+06 A"]),
        (
            rows(fluxes=lambda d, q: (0.07 - 0.1e-3 * d, 0.2e-3 * q)),
            ["psi_d does not grow with id (from id = -300 to -250 A at iq = -300 A; 104 such places)", "signs"],
        ),
        (
            edited(set_cell(41, 3, "0.5")),
            ["psi_q does not grow with iq (from iq = -300 to -250 A at id = -150 A; 1 such places)"],
        ),
        (
            rows(fluxes=lambda d, q: (0.07 + 1e-4 * d + 3e-4 * q, 1e-4 * q + 3e-4 * d)),
            ["no positive determinant (id = -300 to -250 A, iq = -300 to -250 A; 96 such cells)"],
        ),
        ([rows()[0]] + [f"{k}.5,{k * k},{0.07},{0.1}" for k in range(100)], ["do not lie on a rectangular grid"]),
    ],
)
def test_a_map_that_cannot_be_used_is_refused_with_the_place(tmp_path, lines, words):
    sentence = refused(save(tmp_path, lines))
    assert all(word in sentence for word in words), sentence


def test_decimal_commas_get_their_own_remedy(tmp_path):
    lines = [line.replace(",", ";").replace(".", ",") for line in rows()]
    assert "Write decimal points" in refused(save(tmp_path, lines))


def turned(angle_deg):
    """The good model seen from a frame turned by an angle: currents and fluxes rotate alike."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))

    def fluxes(id_A, iq_A):
        psi_d, psi_q = saturating(c * id_A - s * iq_A, s * id_A + c * iq_A)
        return c * psi_d + s * psi_q, c * psi_q - s * psi_d

    return fluxes


def test_a_turned_frame_is_told_with_its_angle(tmp_path):
    findings = read_flux_map(save(tmp_path, rows(fluxes=turned(2.0)))).findings
    assert any("turned by about -2.0 deg" in f for f in findings), findings


def test_asymmetry_is_told_with_size_and_place(tmp_path):
    def lopsided(id_A, iq_A):
        psi_d, psi_q = saturating(id_A, iq_A)
        return psi_d, psi_q + (3e-3 if (id_A, iq_A) == (-200.0, 150.0) else 0.0)

    findings = read_flux_map(save(tmp_path, rows(fluxes=lopsided))).findings
    assert any("psi_q odd in iq only to 3 mWb (at id = -200 A, iq = 150 A)" in f for f in findings), findings


def test_broken_reciprocity_is_told_with_its_size(tmp_path):
    # d psi_d/d iq = 2e-7 iq against 0: 60 uH at iq = 300 A; a one-sided difference is half a step (5 uH) behind.
    findings = read_flux_map(save(tmp_path, rows(fluxes=lambda d, q: (0.07 + 2e-4 * d + 1e-7 * q * q, 6e-4 * q)))).findings
    assert len(findings) == 1 and "reciprocity is broken by up to 55 uH" in findings[0], findings


def test_half_a_map_is_continued_by_symmetry(tmp_path):
    half = read_flux_map(save(tmp_path, rows(iq_A=range(0, 301, 50)), "half.csv"))
    assert half == read_flux_map(save(tmp_path, rows()))
    assert len(half.findings) == 1 and "continued by symmetry" in half.findings[0]
    lower = read_flux_map(save(tmp_path, rows(iq_A=range(-300, 1, 50)), "lower.csv"))
    assert lower == half


def map_machine(file, columns=None):
    machine = {k: v for k, v in good()["machine"].items() if "inductance" not in k and "flux" not in k}
    return machine | {"kind": "flux_map", "flux_map": {"file": str(file), "columns": columns or {}}}


def test_a_scenario_tells_the_map_s_faults_and_names_the_file(tmp_path):
    save(tmp_path, rows(fluxes=turned(2.0)))
    scenario = load_scenario(write(tmp_path, spoiled(machine=map_machine("map.csv"))))
    assert scenario.machine.map_data.psi_d_Wb.shape == (9, 13)
    assert all("map.csv: " in f for f in scenario.findings) and len(scenario.findings) >= 1


def test_a_scenario_with_a_map_that_cannot_be_inverted_is_refused(tmp_path):
    save(tmp_path, edited(set_cell(41, 3, "0.5")))
    (problem,) = problems_of(write(tmp_path, spoiled(machine=map_machine("map.csv"))))
    assert "map.csv: psi_q does not grow with iq" in problem and "Mend" in problem


def test_resistance_in_milliohm_is_noticed_with_a_map_too(tmp_path):
    save(tmp_path, rows())
    machine = map_machine("map.csv") | {"stator_resistance_ohm": 18.0}
    problems = problems_of(write(tmp_path, spoiled(machine=machine)))
    assert any("machine.flux_map" in p and "slip of the unit" in p for p in problems)


@needs_measured
def test_the_measured_map_is_used_and_its_faults_are_told():
    # Facts of the file from the note that lies beside it.
    data = read_flux_map(MEASURED, MEASURED_COLUMNS)
    assert data.psi_d_Wb.shape == (26, 51)
    d, q = data.id_A.tolist().index, data.iq_A.tolist().index
    assert data.psi_d_Wb[d(0.0), q(0.0)] == pytest.approx(71.658e-3, abs=1e-6)
    assert data.psi_d_Wb[d(-100.0), q(100.0)] == pytest.approx(40.972e-3, abs=1e-6)
    assert data.psi_q_Wb[d(-100.0), q(100.0)] == pytest.approx(115.635e-3, abs=1e-6)
    told = " ".join(data.findings)
    assert "turned by about -1.9 deg" in told
    assert "psi_q odd in iq only to 21.3 mWb" in told
    assert "reciprocity is broken by up to 135 uH" in told


@needs_measured
def test_the_measured_map_s_column_names_are_asked_for():
    assert 'columns = { psi_d_Wb = "psi_d_Vs" }' in refused(MEASURED)


@needs_measured
def test_the_measured_map_is_found_through_the_environment(tmp_path, monkeypatch):
    monkeypatch.setenv("DRYBENCH_OUTSIDE_DATA", str(OUTSIDE.resolve()))
    file = "${DRYBENCH_OUTSIDE_DATA:-../shared/data}/measured_ipm_fluxmap.csv"
    machine = map_machine(file, MEASURED_COLUMNS) | {"pole_pairs": 3, "stator_resistance_ohm": 0.018}
    scenario = load_scenario(write(tmp_path, spoiled(machine=machine)))
    assert scenario.machine.map_data.id_A[0] == -250 and len(scenario.findings) >= 3
