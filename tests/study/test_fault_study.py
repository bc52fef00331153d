"""The study of faults: what is noticed, by which check, how fast; safe states against their closed forms; wrong lists."""

import csv
import json
import math

import pytest
from click.testing import CliRunner
from shared_benches import BASE, MACHINE_E, merge

from simcore.cli import main
from simcore.scenario import ScenarioError
from simcore.scenario.reader import scenario_from
from simcore.scenario.toml_text import write_toml
from simcore.study.fault_study.case import FaultCase, FaultList, read_fault_list
from simcore.study.fault_study.study import run_faults

CASES = (
    FaultCase("sensor lost", {"kind": "current_sensor_lost", "phase": "a"}, 0.1),
    FaultCase("tiny offset", {"kind": "current_sensor_offset", "phase": "a", "value_A": 0.5}, 0.1),
    FaultCase("no channel", {"kind": "resolver_excitation_lost"}, 0.1),
)


def drive(**change):
    document = merge(BASE, {
        "machine": MACHINE_E | {"max_speed_rpm": 12000}, "controller": {"mode": "torque"},
        "sensors": {"position": {"kind": "resolver"}}, "inverter": {"link_capacitance_F": 1e-3},
        "supply": {"resistance_ohm": 0.05},
    })  # fmt: skip
    document["commands"] = {"torque_Nm": 50.0}
    return scenario_from(merge(document, change), path="drive.toml")


@pytest.fixture(scope="module")
def found():
    return run_faults(drive(), FaultList("three", CASES[:2]), "2000:4000:2", "60")


def test_a_lost_sensor_is_noticed_and_a_tiny_offset_is_told_as_harmless(found):
    by_name = {}
    for point in found.monitored:
        by_name.setdefault(found.case(point).name, []).append(point)
    assert all(point.noticed_by and point.time_to_notice_s < 0.02 for point in by_name["sensor lost"])
    assert all(found.in_time(point) for point in by_name["sensor lost"])
    assert not any(point.noticed_by for point in by_name["tiny offset"])
    assert found.covered == (1, 2)
    assert {(name, why.split(":")[0]) for name, _, _, why in found.missed} == {("tiny offset", "no check sees it")}
    assert not found.false_alarms and len(found.healthy) == 6


def test_without_the_monitor_nothing_reacts(found):
    alone = [point for point in found.points if not point.monitored]
    assert len(alone) == 4 and all(point.noticed_by == "" and point.state == "running" for point in alone)
    # What the lost sensor does to the torque when nobody stops it is worse than with the monitor.
    lost = {point.monitored: abs(point.torque_impulse_Nms) for point in found.points if point.values[:2] == (0, 2000.0)}
    assert lost[False] != lost[True]


def test_the_short_circuits_torque_is_the_closed_form(found):
    """T = -1.5 p psi^2 w R (R^2 + w^2 Lq^2)/D^2, D = R^2 + w^2 Ld Lq: Welchko et al., IEEE TEC 18(2), 2003 (from memory)."""
    for point in found.safe["active_short_low"]:
        w = 4 * point.values[1] * math.pi / 30.0
        if w < 500.0:
            continue  # not yet settled in the time of the run
        d = 0.01**2 + w * w * 0.2e-3 * 0.6e-3
        expected = -1.5 * 4 * 0.07**2 * w * 0.01 * (0.01**2 + (w * 0.6e-3) ** 2) / d**2
        assert point.torque_after_Nm == pytest.approx(expected, rel=0.1, abs=0.5)


def test_a_controlled_ramp_down_goes_from_the_torque_that_was_asked(found):
    """From a tenth of machine E's 318.7 Nm, current below its MTPA current for that, 110 A, to none; no surge on the way."""
    for point in found.safe["ramp_down"]:
        if point.values[1] < 2800.0:  # base speed: no field weakening
            assert point.peak_current_A < 110.0 and point.torque_max_Nm < 34.0
        assert abs(point.torque_after_Nm) < 4.0


def test_gates_off_below_the_onset_leave_no_torque_and_brake_above(found):
    """Onset at sqrt3 w psi = 400 V, 7876 rpm; well above it the diodes brake more than the short circuit."""
    torque = {point.values[1]: point.torque_after_Nm for point in found.safe["gates_off"]}
    assert all(abs(value) < 0.5 for speed, value in torque.items() if speed < 7800)
    assert torque[12000] < -20.0
    assert found.crossover_rpm > 7876


def test_the_command_writes_table_matrix_page_and_pictures(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "drive.toml").write_text(write_toml(drive().resolved))
    (tmp_path / "short.toml").write_text('tolerance_time_s = 0.05\n[[fault]]\nkind = "resolver_excitation_lost"\n')
    call = ["faults", "drive.toml", "--list", "short.toml", "--speed-rpm", "3000", "--torque-Nm", "40", "--out", "out"]
    result = CliRunner().invoke(main, call)
    assert result.exit_code in (0, 1), result.output
    assert "resolver_excitation_lost" in result.output and "certifies nothing" in result.output
    folder = tmp_path / "out" / "drive"
    with open(folder / "faults.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["monitored"] for row in rows] == ["1", "0"] and rows[0]["noticed_by"].startswith("resolver")
    told = json.loads((folder / "faults.json").read_text())
    assert told["faults"] == 1 and told["healthy_runs"] == 3
    page = (folder / "faults.html").read_text()
    assert "STO" in page and "IEC 61800-5-2" in page
    assert (folder / "coverage.png").exists() and (folder / "safe_states.png").exists()


@pytest.mark.parametrize(
    "text, sentence",
    [
        ("name = 3\n", "needs [[fault]] tables"),
        ('[[fault]]\nkind = "phase_open"\nat_s = 1.0\n', "the study sets when a fault acts"),
        ('tolerance_time_s = 0.0\n[[fault]]\nkind = "phase_open"\n', "above 0, at most 60"),
        ('colour = "red"\n[[fault]]\nkind = "phase_open"\n', "has no such key"),
        ("[[fault", "is not TOML"),
    ],
)
def test_a_wrong_list_is_one_sentence(tmp_path, text, sentence):
    path = tmp_path / "list.toml"
    path.write_text(text)
    with pytest.raises(ScenarioError) as raised:
        read_fault_list(str(path))
    assert sentence in str(raised.value)


def test_a_fault_that_the_drive_cannot_have_is_refused_by_name():
    case = FaultCase("counts", {"kind": "encoder_counts_lost", "counts": 4}, 0.1)
    with pytest.raises(ScenarioError, match="encoder"):
        run_faults(drive(), FaultList("one", (case,)), "2000", "60")


def test_the_shipped_list_is_read():
    shipped = read_fault_list()
    assert len(shipped.cases) >= 20 and len({case.name for case in shipped.cases}) == len(shipped.cases)
