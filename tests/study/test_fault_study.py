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
from simcore.study.fault_study.job import FaultJob
from simcore.study.fault_study.page import page
from simcore.study.fault_study.places import read_places, supply_at
from simcore.study.fault_study.point import NUMBERS, point_of
from simcore.study.fault_study.rows import energy_rows, vehicle_rows
from simcore.study.fault_study.safe_states import crossover_rpm, sentences
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
    assert {(name, why.split(":")[0]) for name, *_, why in found.missed} == {("tiny offset", "no check sees it")}
    assert not found.false_alarms and len(found.healthy) == 3 * len(found.places.points)


def test_without_the_monitor_nothing_reacts(found):
    alone = [point for point in found.points if not point.monitored]
    assert len(alone) == 2 * len(found.places.points)
    assert all(point.noticed_by == "" and point.state == "running" for point in alone)
    # What the lost sensor does to the torque when nobody stops it is worse than with the monitor.
    first = (0, 2000.0, 60.0, 400.0)
    lost = {point.monitored: abs(point.torque_impulse_Nms) for point in found.points if point.values[:4] == first}
    assert lost[False] != lost[True]


def test_the_short_circuits_torque_is_the_closed_form(found):
    """T = -1.5 p psi^2 w R (R^2 + w^2 Lq^2)/D^2, D = R^2 + w^2 Ld Lq: Welchko et al., IEEE TEC 18(2), 2003 (from memory)."""
    for point in found.safe["active_short_low"]:
        w = 4 * point.values[1] * math.pi / 30.0
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
    torque = {point.values[1]: point.torque_after_Nm for point in found.safe["gates_off"] if point.values[3] == 400.0}
    assert all(abs(value) < 0.5 for speed, value in torque.items() if speed < 7800)
    assert torque[12000] < -20.0
    assert found.crossover_rpm > 7876


def test_the_command_writes_table_matrix_page_and_pictures(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "drive.toml").write_text(write_toml(drive().resolved))
    (tmp_path / "short.toml").write_text('tolerance_time_s = 0.05\n[[fault]]\nkind = "resolver_excitation_lost"\n')
    call = ["faults", "drive.toml", "--list", "short.toml", "--speed-rpm", "3000", "--torque-Nm", "40", "--link-V", "400",
            "--out", "out"]  # fmt: skip
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
        ('operating_points = 3\n[[fault]]\nkind = "phase_open"\n', "operating_points: must be a table"),
        ('[operating_points]\nlink_V = "700"\n[[fault]]\nkind = "phase_open"\n', "must be a list of numbers"),
        ('[operating_points]\nspeed = [1]\n[[fault]]\nkind = "phase_open"\n', "Known are speed_rpm, torque_Nm, link_V"),
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


def test_a_state_that_is_not_reached_in_the_run_is_not_in_time():
    """A command that is missed after 20 ms and led to zero in 100 ms: 120 ms, of which 50 are allowed and 70 are looked at."""
    case = FaultCase("command", {"kind": "command_lost", "command": "torque_Nm"}, 0.05)
    found = run_faults(drive(), FaultList("one", (case,)), "2000", "60", "400")
    (monitored,) = found.monitored
    assert monitored.time_to_notice_s == pytest.approx(0.02, abs=2e-4) and math.isnan(monitored.time_to_safe_state_s)
    assert not found.in_time(monitored) and found.covered == (0, 1)
    assert "no safe state reached in the run" in found.missed[0][-1]


def test_a_short_that_nobody_ends_is_looked_at_for_a_moment():
    """10 ms and the 20 ms beyond; with the monitor as long as is allowed."""
    case = FaultCase("short", {"kind": "three_phase_short", "resistance_ohm": 0.02}, 0.1)
    job = FaultJob.of(drive(), (case, *CASES))
    lasts = [job.at(0, (k, 1000.0, 10.0, 400.0, monitored, 0)).run.duration_s for k in (0, 1) for monitored in (0, 1)]
    assert lasts == pytest.approx([0.08 + 0.01 + 0.02, 0.2, 0.2, 0.2])


# Operating points -----------------------------------------------------------------------------------------------------

BATTERY = {
    "kind": "battery", "open_circuit_voltage_V": [[0.0, 300.0], [0.5, 380.0], [1.0, 420.0]], "resistance_ohm": 0.05,
    "capacity_Ah": 50, "state_of_charge": 0.5,
}  # fmt: skip


def on_battery():
    document = drive().resolved
    return scenario_from({**document, "supply": BATTERY}, path="battery.toml")


def test_by_default_the_corners_are_looked_at_with_the_lowest_and_the_highest_link_too():
    """A source within 10 % of its voltage; four speeds and three torques, and 2 x 2 of them at each end."""
    places = read_places(drive(), {}, {}, 300.0)
    assert len(places.points) == 4 * 3 + 2 * 4 and places.links_V == (360.0, 400.0, 440.0)
    assert {link for *_, link in places.points[:12]} == {400.0}
    ends = {(1200.0, -90.0), (1200.0, 120.0), (10200.0, -90.0), (10200.0, 120.0)}
    assert {point[:2] for point in places.points if point[2] == 440.0} == ends


def test_a_battery_takes_its_voltage_by_its_charge():
    """300 V + 0.05/0.5 x 80 V and 420 V - 0.05/0.5 x 40 V; 340 V lie a quarter up its curve."""
    places = read_places(on_battery(), {}, {}, 300.0)
    assert places.links_V == pytest.approx((308.0, 380.0, 416.0))
    assert supply_at(on_battery().supply, 340.0)["state_of_charge"] == pytest.approx(0.25, abs=1e-3)
    given = read_places(on_battery(), {"link_V": "340:400:2", "speed_rpm": "1000", "torque_Nm": "0:50:2"}, {}, 300.0)
    assert given.points == ((1000.0, 0.0, 340.0), (1000.0, 50.0, 340.0), (1000.0, 0.0, 400.0), (1000.0, 50.0, 400.0))


def test_a_rectifier_takes_it_by_its_mains():
    """Six pulses: 3 sqrt(2)/pi of the line voltage."""
    supply = scenario_from({**drive().resolved, "supply": {"kind": "rectifier", "line_voltage_V": 300, "resistance_ohm": 0.1}})
    assert supply_at(supply.supply, 500.0)["line_voltage_V"] == pytest.approx(500.0 * math.pi / (3.0 * math.sqrt(2.0)))


def test_a_runs_link_is_that_of_its_point_and_the_monitors_limits_stay():
    """A monitor is set up once: 60 % of the scenario's own 380 V, and the choice by the speed that belongs to them."""
    scenario = on_battery()
    places = read_places(scenario, {}, {}, 300.0)
    job = FaultJob.of(scenario, CASES, places.supplies)
    found = [job.at(0, (0, 1000.0, 10.0, link, 1, 0)) for link in places.links_V]
    assert [one.supply.voltage_V for one in found] == pytest.approx([308.0, 380.0, 416.0], abs=0.1)
    assert [one.safety.link_undervoltage.threshold_V for one in found] == pytest.approx([228.0] * 3)
    onset = 380.0 / (math.sqrt(3.0) * 0.07 * 4) * 30.0 / math.pi
    assert [one.safety.safe_state.active_short_above_rpm for one in found] == pytest.approx([0.95 * onset] * 3)


def test_a_list_may_bring_its_own_operating_points(tmp_path):
    path = tmp_path / "list.toml"
    own = "operating_points = { speed_rpm = [500, 900], link_V = [390] }"
    path.write_text(f'{own}\n[[fault]]\nkind = "resolver_excitation_lost"\n')
    listed = read_fault_list(str(path)).places
    places = read_places(drive(), {"torque_Nm": "20"}, listed, 300.0)
    assert places.points == ((500.0, 20.0, 390.0), (900.0, 20.0, 390.0))
    assert read_places(drive(), {"torque_Nm": "20", "speed_rpm": "700"}, listed, 300.0).points == ((700.0, 20.0, 390.0),)


@pytest.mark.parametrize(
    "make, wishes, sentence",
    [
        (on_battery, {"link_V": "500"}, "shows 300 to 420 V without load"),
        (drive, {"link_V": "-20"}, "above 0 V"),
        (drive, {"link_V": "a:b"}, "--link-V a:b"),
        (drive, {"speed_rpm": "30000"}, "beyond machine.max_speed_rpm"),
    ],
)
def test_points_outside_the_drive_are_one_sentence(make, wishes, sentence):
    with pytest.raises(ScenarioError, match=sentence) as raised:
        read_places(make(), wishes, {}, 300.0)
    assert len(raised.value.problems) == 1


# The vehicle ----------------------------------------------------------------------------------------------------------


def test_a_vehicle_feels_the_torque_that_stops():
    """A command that falls from 80 Nm to nothing: impulse T t/arm; speed eta T t/(arm m'), m' = factor m; t = 0.22 s."""
    vehicle = {"kind": "vehicle", "mass_kg": 2000, "rolling_coefficient": 0.01, "drag_area_m2": 0.0,
               "rotational_inertia_factor": 1.04, "wheel_radius_m": 0.4, "gear_ratio": 10.0,
               "gear_efficiency": 0.95}  # fmt: skip
    scenario = scenario_from({**drive().resolved, "load": vehicle}, path="car.toml")
    case = FaultCase("stops", {"kind": "command_lost", "command": "torque_Nm", "reads": "zero"}, 0.2)
    found = run_faults(scenario, FaultList("one", (case,)), "1500", "80", "400")
    (alone,) = (point for point in found.points if not point.monitored)
    impulse = -80.0 * 0.22 / 0.04
    assert alone.vehicle_impulse_Ns == pytest.approx(impulse, rel=0.01)
    assert alone.vehicle_speed_change_kmh == pytest.approx(3.6 * 0.95 * impulse / (1.04 * 2000.0), rel=0.01)
    assert vehicle_rows(found)[0][3:] == (alone.vehicle_impulse_Ns, alone.vehicle_speed_change_kmh)
    text = page(found)
    assert "What the vehicle feels" in text and "2000 kg" in text


def test_energy_into_the_link_is_what_it_rises_by():
    """50 Nm brake at 2000 rpm and the contactor opens: C (V2^2 - V1^2)/2 of the 1 mF, and none of it in a chopper."""
    case = FaultCase("contactor", {"kind": "contactor_open"}, 0.1)
    found = run_faults(drive(), FaultList("one", (case,)), "2000", "-50", "400")
    (name, _, _, _, link_V, _, energy_J, chopper_J, *_), = energy_rows(found, monitored=False)
    before_V = 0.5 * (400.0 + math.sqrt(400.0**2 + 4.0 * 0.05 * 50.0 * 2000.0 * math.pi / 30.0))  # of the source of 50 mohm
    assert name == "contactor" and chopper_J == 0.0 and link_V > 1000.0
    assert energy_J == pytest.approx(0.5e-3 * (link_V**2 - before_V**2), rel=0.01)
    text = page(found, ("coverage.png",))
    assert all(word in text for word in ("into the link, J", "The monitor", "link_overvoltage", 'src="coverage.png"'))


def test_of_a_solution_that_diverged_nothing_but_the_times_is_kept():
    """Its numbers are no physics; what broke off for another reason holds up to there."""
    numbers = (0.01, 0.02, *(1e9,) * (len(NUMBERS) - 2))
    values, taken = (0, 1.0, 2.0, 3.0, 1, 0), ("overcurrent", "gates_off", numbers, "")
    wrong = point_of(0, values, taken, "the solution diverged at tick 5: ...")
    assert wrong.numbers[:2] == (0.01, 0.02) and all(math.isnan(value) for value in wrong.numbers[2:])
    kept = point_of(0, values, taken, "the current left the flux map")
    assert kept.numbers == numbers


def test_an_empty_link_is_told_and_shorts_the_machine():
    """60 Nm drive at 4000 rpm, 25 kW out of the 80 J of 1 mF: empty after 3.2 ms and a little more, for copper takes its part
    later than the torque falls."""
    case = FaultCase("contactor", {"kind": "contactor_open"}, 0.1)
    found = run_faults(drive(), FaultList("one", (case,)), "4000", "60", "400")
    for point in found.points:
        assert "the link was empty" in point.error and 2.5 < float(point.error.split()[4]) < 4.5
        assert point.link_voltage_max_V < 401.0
        # Flux circle about the magnets' flux of 0.07 Wb from 60 Nm: id within -(psi + |lambda|)/Ld = -750 A (Welchko 2003).
        assert -750.0 < point.id_min_A < -200.0
    assert found.monitored[0].noticed_by == "link_undervoltage" and "whose link was empty" in page(found)


def test_no_vehicle_no_word_of_it(found):
    assert vehicle_rows(found) == [] and "vehicle feels" not in page(found)
    assert all(math.isnan(point.vehicle_impulse_Ns) for point in found.points)


# Safe states ----------------------------------------------------------------------------------------------------------


def test_where_two_curves_cross():
    """-1 - x/1000 against -2: at 1000; between two looked at as a straight line; never and at once."""
    short = {0.0: -2.0, 500.0: -2.0, 2000.0: -2.0}
    assert crossover_rpm({speed: -1.0 - speed / 1000.0 for speed in short}, short) == pytest.approx(1000.0)
    assert math.isnan(crossover_rpm(dict.fromkeys(short, 0.0), short))
    assert crossover_rpm(dict.fromkeys(short, -3.0), short) == 0.0


def test_a_salient_machine_crosses_above_its_onset_and_the_higher_the_link(found):
    """Onset sqrt3 w psi = Vdc: 7088.5, 7876.1 and 8663.7 rpm at 360, 400 and 440 V (references of machine E).  Near it currents
    flow in pulses and brake little; the short has some 2 Nm left there by its closed form."""
    assert list(found.crossovers) == [360.0, 400.0, 440.0]
    for link, speed in found.crossovers.items():
        onset = link / (math.sqrt(3.0) * 0.07 * 4) * 30.0 / math.pi
        assert onset < speed < 1.08 * onset
        gates = {point.values[1]: point.torque_after_Nm for point in found.safe["gates_off"] if point.values[3] == link}
        short = {point.values[1]: point.torque_after_Nm for point in found.safe["active_short_low"]}
        assert all((abs(gates[n]) < abs(short[n])) == (n < speed) for n in gates)
    told = sentences(found)
    assert told[0].startswith("The active short circuit brakes most at") and len(told) == 4
    assert all(f"from {speed:.5g} rpm on" in line for line, speed in zip(told[1:], found.crossovers.values(), strict=True))


def test_no_crossover_is_told_with_its_reason():
    """Up to 6000 rpm the EMF of machine E lies below 400 V."""
    slow = run_faults(drive(machine={"max_speed_rpm": 6000}), FaultList("one", CASES[2:]), "2000", "60", "400")
    assert math.isnan(slow.crossover_rpm)
    assert "no crossover, for the EMF reaches the link at 7876.1 rpm only" in sentences(slow)[1]
    assert sentences(slow)[1] in page(slow).replace("&#x27;", "'")
