"""base, then the file, then --set; parts beneath; paths relative to the file that names them."""

import tomllib

import pytest
from scenario_texts import FREE, GOOD, REMOVE, good, problems_of, spoiled, write

from simcore.scenario import Profile, load_scenario
from simcore.scenario.models import Scenario
from simcore.scenario.toml_text import write_toml

MOTOR = good()["machine"]


def test_the_example_reads_as_written(tmp_path):
    scenario = load_scenario(write(tmp_path, GOOD))
    assert (scenario.name, scenario.title) == ("bench", "Torque steps on a rig")
    assert scenario.path == tmp_path / "bench.toml"
    assert scenario.tick_s == 0.5 / 10_000 and scenario.ticks == 6000 and scenario.record_every == 1
    assert scenario.commands.torque_Nm == Profile((0.0, 0.05, 0.2), (0.0, 150.0, -150.0), "step")
    assert scenario.controller_machine is scenario.machine
    assert [e.measure for e in scenario.expect] == ["settling_time_s", "peak_to_peak"]
    assert scenario.findings == ()


def test_absent_keys_are_ideal(tmp_path):
    # Defaults as the scenario language states them.
    scenario = load_scenario(
        write(tmp_path, spoiled(sensors=REMOVE, inverter__model=REMOVE, inverter__dead_time_s=REMOVE, scope=REMOVE))
    )
    assert scenario.sensors.position.kind == "ideal" and scenario.sensors.current.adc_bits == 0
    assert scenario.sensors.current.range_A == 0 and scenario.sensors.current.gain == (1.0, 1.0, 1.0)
    assert scenario.controller.delay_updates == 1 and scenario.inverter.update == "double"
    assert scenario.inverter.model == "averaged" and scenario.inverter.dead_time_s == 0
    assert scenario.inverter.devices is None and scenario.inverter.minimum_pulse_s == 0


def test_the_supply_is_a_source_and_the_position_ideal_unless_said(tmp_path):
    document = spoiled(supply={"voltage_V": 700}, sensors={"position": {}})
    scenario = load_scenario(write(tmp_path, document))
    assert scenario.supply.kind == "source" and scenario.sensors.position.kind == "ideal"


def test_a_file_over_its_base_over_its_base(tmp_path):
    write(tmp_path, GOOD, "ground/ground.toml")
    write(tmp_path, 'base = "../ground/ground.toml"\n[run]\nduration_s = 1.0\nseed = 7\n', "middle/middle.toml")
    top = write(tmp_path, 'base = "middle/middle.toml"\nexpect = []\n[run]\nduration_s = 2.0\n')
    scenario = load_scenario(top, ["run.seed=9"])
    assert (scenario.run.duration_s, scenario.run.seed) == (2.0, 9)
    assert scenario.machine.pole_pairs == 4, "tables merge"
    assert scenario.expect == (), "lists replace"


@pytest.mark.parametrize(
    ("override", "read"),
    [
        ("inverter.dead_time_s=2e-6", lambda s: s.inverter.dead_time_s == 2e-6),
        ("inverter.dead_time_s = 2e-6", lambda s: s.inverter.dead_time_s == 2e-6),
        ("inverter.modulation=sine", lambda s: s.inverter.modulation == "sine"),
        ('inverter.modulation="sine"', lambda s: s.inverter.modulation == "sine"),
        ("title=Two words", lambda s: s.title == "Two words"),
        ("expect.0.max=0.5", lambda s: s.expect[0].max == 0.5),
        ("commands.torque_Nm.1.1=77", lambda s: s.commands.torque_Nm.values[1] == 77),
        ("commands.torque_Nm=[[0, 5]]", lambda s: s.commands.torque_Nm.values == (5.0,)),
        ("sensors.current.gain.2=1.02", lambda s: s.sensors.current.gain == (1.0, 1.0, 1.02)),
        ("machine={max_current_A = 300}", lambda s: (s.machine.max_current_A, s.machine.pole_pairs) == (300, 4)),
        ("controller.tuning.speed_bandwidth_Hz=20", lambda s: s.controller.tuning["speed_bandwidth_Hz"] == 20),
    ],
)
def test_set_lays_a_value_over_the_file(tmp_path, override, read):
    path = write(tmp_path, spoiled(sensors__current__gain=[1.0, 1.0, 1.0]))
    assert read(load_scenario(path, [override]))


@pytest.mark.parametrize(
    ("override", "words"),
    [
        ("inverter.dead_time_s", "no equals sign"),
        ("=3", "not a dotted name"),
        ("a..b=3", "not a dotted name"),
        ("expect.5.max=1", "the list has 2 entries"),
        ("expect.first.max=1", "must be an index"),
        ("title.x=1", "lies below a value that is no table"),
        ("run.seed=[1, 2", "the value is not TOML"),
        ("run.seed=1\nfault = 3", "the value is not TOML"),
        ("base=other.toml", "base cannot be set"),
        ("run.seed=", "the value is not TOML"),
        ("run.seed=" + "[" * 60 + "]" * 60, "the value is not TOML"),
        (".".join("a" * 500) + "=1", "not a dotted name"),
    ],
)
def test_an_override_that_cannot_be_read_gets_a_sentence(tmp_path, override, words):
    problems = problems_of(write(tmp_path, GOOD), [override])
    assert sum(words in p and p.startswith("--set ") for p in problems) == 1, problems


def test_another_kind_leaves_the_old_kind_s_keys_behind(tmp_path):
    write(tmp_path, GOOD, "ground.toml")
    path = write(tmp_path, {"base": "ground.toml", "load": FREE})
    assert load_scenario(path).load.inertia_kg_m2 == 0.05
    assert load_scenario(path, ["load.kind=rig", "load.speed_rpm=100"]).load.speed_rpm.values == (100.0,)


def test_a_part_lies_beneath(tmp_path):
    write(tmp_path, MOTOR, "motors/tractor.toml")
    path = write(tmp_path, spoiled(machine={"part": "motors/tractor", "max_current_A": 300}))
    scenario = load_scenario(path, ["machine.pole_pairs=5"])
    assert (scenario.machine.max_current_A, scenario.machine.pole_pairs) == (300, 5)
    assert scenario.machine.inductance_d_H == 0.2e-3
    assert "part" not in scenario.resolved["machine"]


def test_a_part_is_looked_up_beside_the_file_that_names_it(tmp_path):
    write(tmp_path, {**MOTOR, "pole_pairs": 2}, "ground/motors/tractor.toml")
    write(tmp_path, {**MOTOR, "pole_pairs": 3}, "motors/tractor.toml")
    write(tmp_path, spoiled(machine={"part": "motors/tractor"}), "ground/ground.toml")
    assert load_scenario(write(tmp_path, 'base = "ground/ground.toml"\n')).machine.pole_pairs == 2
    assert load_scenario(tmp_path / "bench.toml", ["machine.part=motors/tractor"]).machine.pole_pairs == 3


def test_a_part_comes_from_the_library_where_none_lies_beside(tmp_path, monkeypatch):
    from simcore.scenario import parts

    monkeypatch.setattr(parts, "library", lambda: tmp_path / "shipped")
    write(tmp_path, MOTOR, "shipped/motors/tractor.toml")
    path = write(tmp_path, spoiled(machine={"part": "motors/tractor"}), "mine/bench.toml")
    assert load_scenario(path).machine.pole_pairs == 4
    assert parts.shipped_parts() == ["motors/tractor"]
    write(tmp_path, {**MOTOR, "pole_pairs": 8}, "mine/motors/tractor.toml")
    assert load_scenario(path).machine.pole_pairs == 8


def test_the_library_lies_beside_the_installed_package():
    import simcore
    from simcore.scenario.parts import library

    assert library().parts[-2:] == ("scenarios", "parts")
    assert str(library().parent.parent) in simcore.__file__


def test_a_part_may_start_from_another(tmp_path):
    write(tmp_path, MOTOR, "motors/tractor.toml")
    write(tmp_path, {"base": "tractor.toml", "pole_pairs": 6}, "motors/long_tractor.toml")
    path = write(tmp_path, spoiled(machine={"part": "motors/long_tractor"}))
    assert load_scenario(path).machine.pole_pairs == 6


def test_override_into_a_part_s_list(tmp_path):
    devices = {"kind": "mosfet", "on_resistance_ohm": [[25, 2e-3], [150, 4e-3]]}
    write(tmp_path, {"devices": devices}, "inverters/sic.toml")
    path = write(tmp_path, spoiled(inverter__part="inverters/sic"))
    scenario = load_scenario(path, ["inverter.devices.on_resistance_ohm.1.1=6e-3"])
    assert scenario.inverter.devices.on_resistance_ohm.at(87.5) == pytest.approx(4e-3)


def test_the_controller_s_belief_is_the_machine_with_its_own_keys_over(tmp_path):
    scenario = load_scenario(write(tmp_path, spoiled(controller__machine={"inductance_q_H": 0.5e-3})))
    assert scenario.machine.inductance_q_H == 0.6e-3
    assert scenario.controller_machine.inductance_q_H == 0.5e-3
    assert scenario.controller_machine.pole_pairs == 4


def test_the_belief_may_come_from_a_part(tmp_path):
    write(tmp_path, {**MOTOR, "pole_pairs": 3}, "motors/other.toml")
    belief = {"part": "motors/other", "inductance_q_H": 0.4e-3}
    scenario = load_scenario(write(tmp_path, spoiled(controller__machine=belief)))
    assert scenario.controller_machine.pole_pairs == 3 and scenario.controller_machine.inductance_q_H == 0.4e-3
    (problem,) = problems_of(write(tmp_path, spoiled(controller__machine={"part": "motors/othr"})))
    assert 'controller.machine.part = "motors/othr": no such part' in problem


def test_the_belief_may_be_of_another_kind(tmp_path):
    rows = [f"{d},{q},{0.07 + 0.2e-3 * d},{0.6e-3 * q}" for d in range(-300, 301, 100) for q in range(-300, 301, 100)]
    write(tmp_path, "\n".join(["id_A,iq_A,psi_d_Wb,psi_q_Wb", *rows]), "maps/map.csv")
    machine = {k: v for k, v in MOTOR.items() if "inductance" not in k and "flux" not in k}
    machine |= {"kind": "flux_map", "flux_map": {"file": "maps/map.csv"}}
    belief = {"kind": "constants", "inductance_d_H": 0.2e-3, "inductance_q_H": 0.6e-3, "magnet_flux_Wb": 0.07}
    path = write(tmp_path, spoiled(machine=machine, controller__machine=belief))
    scenario = load_scenario(path)
    assert scenario.machine.kind == "flux_map" and scenario.machine.map_data.psi_d_Wb.shape == (7, 7)
    assert scenario.controller_machine.kind == "constants"
    back = load_scenario(path, ["controller.machine={}", *[f"machine.{k}={v}" for k, v in belief.items()]])
    assert back.machine.kind == "constants"


def test_paths_in_a_part_count_from_the_part(tmp_path, monkeypatch):
    rows = [f"{d},{q},{0.07 + 0.2e-3 * d},{0.6e-3 * q}" for d in range(-300, 301, 100) for q in range(-300, 301, 100)]
    write(tmp_path, "\n".join(["id,iq,pd,pq", *rows]), "motors/data/map.csv")
    part = {k: v for k, v in MOTOR.items() if "inductance" not in k and "flux" not in k}
    columns = {"id_A": "id", "iq_A": "iq", "psi_d_Wb": "pd", "psi_q_Wb": "pq"}
    part |= {"kind": "flux_map", "flux_map": {"file": "${MAP_FOLDER:-data}/map.csv", "columns": columns}}
    write(tmp_path, part, "motors/mapped.toml")
    path = write(tmp_path, spoiled(machine={"part": "../motors/mapped"}), "mine/bench.toml")
    assert load_scenario(path).machine.map_data.id_A[0] == -300
    monkeypatch.setenv("MAP_FOLDER", "nowhere")
    (problem,) = problems_of(path)
    assert "map.csv: no such file" in problem
    part["flux_map"]["file"] = "${UNSET_FOLDER}/map.csv"
    write(tmp_path, part, "motors/mapped.toml")
    (problem,) = problems_of(path)
    assert "UNSET_FOLDER is not set" in problem and "mapped.toml" in problem


def test_a_class_is_found_beside_the_file_that_names_it(tmp_path):
    write(tmp_path, "class Mine: pass\n", "ground/my_control.py")
    write(tmp_path, spoiled(controller={"class": "my_control:Mine", "mode": "anything"}), "ground/ground.toml")
    scenario = load_scenario(write(tmp_path, 'base = "ground/ground.toml"\n'))
    assert scenario.controller.file == tmp_path / "ground" / "my_control.py"
    assert scenario.controller.class_name == "Mine"


def test_the_shipped_controllers_are_meant_and_a_shadow_is_told(tmp_path):
    write(tmp_path, "", "controllers/__init__.py")
    scenario = load_scenario(write(tmp_path, spoiled(controller__class="controllers.foc:FieldOrientedController")))
    assert scenario.controller.file is None
    assert any("means the shipped controllers" in f for f in scenario.findings)


@pytest.mark.parametrize("change", [{}, {"load": FREE}, {"sensors": REMOVE}, {"title": 'quotes " \\ and\nlines'}])
def test_the_resolved_input_loads_again_from_any_folder(tmp_path, change):
    write(tmp_path, MOTOR, "motors/tractor.toml")
    write(tmp_path, "class Mine: pass\n", "my_control.py")
    document = spoiled(machine={"part": "motors/tractor"}, controller__machine={"inductance_q_H": 0.5e-3}, **change)
    document["controller"]["class"] = "my_control:Mine"
    first = load_scenario(write(tmp_path, document), ["run.seed=5"])
    elsewhere = write(tmp_path, write_toml(first.resolved), "results/bench/resolved.toml")
    second = load_scenario(elsewhere)
    for name in Scenario.model_fields:
        assert getattr(first, name) == getattr(second, name), name
    assert first.controller_machine == second.controller_machine
    assert second.resolved == first.resolved == tomllib.loads(elsewhere.read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"commands__id_A": 5}, 'commands.id_A = 5: has no effect in mode "torque"'),
        ({"initial__id_A": -500.0}, "the run begins with 500 A, above machine.max_current_A"),
        ({"sensors__current__range_A": 300}, "below machine.max_current_A"),
        ({"inverter__model": "averaged"}, "has no ripple inside a tick"),
        ({"initial__speed_rpm": 100.0}, "has no effect on a rig"),
        ({"run__substeps": 1}, "the electrical angle advances"),
        ({"commands__torque_Nm": [[0.0, 0.0], [1e-6, 5.0]]}, "fall on the same tick"),
        ({"commands__torque_Nm": [[0.0, 0.0], [0.5, 5.0]]}, "lies beyond the run's end"),
        ({"expect__1__band_percent": 1.0}, "has no effect on"),
    ],
)
def test_findings_are_told_and_the_scenario_used(tmp_path, change, words):
    document = spoiled(**change)
    if "run__substeps" in change:
        document["supply"]["inductance_H"] = 1e-5
        document["machine"]["max_speed_rpm"] = 20_000
    findings = load_scenario(write(tmp_path, document)).findings
    assert len(findings) == 1 and words in findings[0] and "bench.toml" in findings[0], findings
