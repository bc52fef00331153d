"""[template]: one file that stands for several scenarios. Rules of the language, no outside source."""

import pytest
from scenario_texts import GOOD, problems_of, write

from simcore.scenario import ScenarioError, load_scenario, load_scenarios
from simcore.scenario.reader import scenario_from

SPEEDS = "[template]\nload.speed_rpm = [1000, 3000]\n"


def cases(tmp_path, extra, overrides=(), name="bench.toml"):
    return load_scenarios(write(tmp_path, GOOD + extra, name), overrides)


def refused(tmp_path, extra, overrides=()):
    with pytest.raises(ScenarioError) as error:
        cases(tmp_path, extra, overrides)
    return [problem.removeprefix(f"{tmp_path}/") for problem in error.value.problems]


def test_a_file_without_template_is_one_scenario(tmp_path):
    (only,) = cases(tmp_path, "")
    assert (only.name, only.case) == ("bench", "") and only == load_scenario(tmp_path / "bench.toml")


def test_a_table_of_lists_stands_for_every_combination_in_order(tmp_path):
    found = cases(tmp_path, SPEEDS + '"controller.tuning.current_bandwidth_Hz" = [300, 450.5]\n')
    assert [scenario.name for scenario in found] == [
        "bench-speed_rpm=1000,current_bandwidth_Hz=300", "bench-speed_rpm=1000,current_bandwidth_Hz=450.5",
        "bench-speed_rpm=3000,current_bandwidth_Hz=300", "bench-speed_rpm=3000,current_bandwidth_Hz=450.5",
    ]  # fmt: skip
    assert [scenario.load.speed_rpm.values[0] for scenario in found] == [1000, 1000, 3000, 3000]
    assert [scenario.controller.tuning["current_bandwidth_Hz"] for scenario in found] == [300, 450.5, 300, 450.5]
    assert {scenario.path for scenario in found} == {tmp_path / "bench.toml"}


def test_a_list_of_tables_gives_each_scenario_its_values_and_its_name(tmp_path):
    found = cases(
        tmp_path,
        '[[template]]\nname = "slow"\nload.speed_rpm = 1000\nexpect.0.max = 0.002\n'
        '[[template]]\n"load.speed_rpm" = 4000\n"expect.0.max" = 0.003\n',
    )
    assert [scenario.name for scenario in found] == ["bench-slow", "bench-speed_rpm=4000,max=0.003"]
    assert [scenario.expect[0].max for scenario in found] == [0.002, 0.003]


def test_a_case_s_resolved_input_reproduces_it_and_is_no_template(tmp_path):
    for scenario in cases(tmp_path, SPEEDS):
        assert "template" not in scenario.resolved
        again = scenario_from(scenario.resolved)
        assert all(getattr(again, table) == getattr(scenario, table) for table in type(scenario).model_fields)


def test_values_may_be_lists_and_tables_which_count(tmp_path):
    found = cases(
        tmp_path,
        '[template]\n"commands.torque_Nm" = [[[0.0, 5.0]], {points = [[0.0, 0.0], [0.1, 9.0]], shape = "linear"}]\n',
    )
    assert [scenario.name for scenario in found] == ["bench-torque_Nm=1", "bench-torque_Nm=2"]
    assert [scenario.commands.torque_Nm.values for scenario in found] == [(5.0,), (0.0, 9.0)]


def test_names_are_files_names(tmp_path):
    found = cases(tmp_path, '[template]\nmachine.part = ["motors/yard_tractor", "motors/hoist"]\ntitle = ["a: b/c", "."]\n')
    assert [scenario.case for scenario in found][:2] == [
        "part=motors_yard_tractor,title=a_b_c", "part=motors_yard_tractor,title=",
    ]  # fmt: skip
    short = cases(tmp_path, "[template]\ninverter.dead_time_s = [0.0, 1e-6]\nrun.duration_s = [0.3, 0.3234567891]\n")
    assert short[3].case == "dead_time_s=1e-06,duration_s=0.3234567891"


def test_equal_last_words_take_the_table_along(tmp_path):
    found = cases(tmp_path, "[template]\nload.speed_rpm = [10]\ncommands.speed_rpm = [20]\n")
    assert found[0].case == "load.speed_rpm=10,commands.speed_rpm=20"


def test_a_base_s_template_is_inherited_and_its_paths_count_from_its_folder(tmp_path):
    (tmp_path / "below").mkdir()
    (tmp_path / "below" / "weak.toml").write_text('base = "strong.toml"\nmax_current_A = 111\n')
    (tmp_path / "below" / "strong.toml").write_text(GOOD.split("[machine]\n")[1].split("[inverter]")[0])
    keys = GOOD.split("[machine]\n")[1].split("[inverter]")[0]
    write(tmp_path / "below", GOOD.replace(keys, "") + "[template]\nmachine.part = ['weak', 'strong']\n")
    (tmp_path / "mine.toml").write_text('base = "below/bench.toml"\n')
    assert [scenario.machine.max_current_A for scenario in load_scenarios(tmp_path / "mine.toml")] == [111, 400]


def test_where_one_is_needed_the_choice_is_named(tmp_path):
    (problem,) = problems_of(write(tmp_path, GOOD + SPEEDS))
    assert "bench.toml: template: the file stands for 2 scenarios (speed_rpm=1000, speed_rpm=3000) and one is" in problem
    assert load_scenario(tmp_path / "bench.toml", ['template="speed_rpm=3000"']).load.speed_rpm.values == (3000,)
    assert load_scenario(tmp_path / "bench.toml", ["load.speed_rpm=500"]).name == "bench"


def test_set_takes_a_key_out_of_the_cases_or_changes_its_list(tmp_path):
    both = SPEEDS + "inverter.dead_time_s = [0.0, 1e-6]\n"
    assert [s.case for s in cases(tmp_path, both, ["load.speed_rpm=5"])] == ["dead_time_s=0", "dead_time_s=1e-06"]
    assert [s.case for s in cases(tmp_path, SPEEDS, ["template.load.speed_rpm=[7, 8]"])] == ["speed_rpm=7", "speed_rpm=8"]
    assert [s.case for s in cases(tmp_path, "", ["template.load.speed_rpm=[7, 8]"])] == ["speed_rpm=7", "speed_rpm=8"]
    assert len(cases(tmp_path, SPEEDS, ["load={kind='rig', speed_rpm=1}"])) == 1


WRONG = {
    "no list": ("[template]\nload.speed_rpm = 3\n", 'template."load.speed_rpm": must list the values of load.speed_rpm'),
    "empty list": ("[template]\nload.speed_rpm = []\n", "must list the values"),
    "no table": ("template = 5\n" + GOOD, "template = 5: must be a table of lists, or a list of tables"),
    "list of numbers": ("template = [5]\n" + GOOD, "must be a table of lists"),
    "no value": ('[[template]]\nname = "x"\n', "template.0: gives no value"),
    "name": ("[[template]]\nname = 3\nload.speed_rpm = 1\n", "template.0.name = 3: must be text"),
    "same name": (
        '[[template]]\nname = "x"\ntitle = "a"\n[[template]]\nname = "x"\ntitle = "b"\n',
        "template.1.name = \"x\": names a second scenario so",
    ),
    "base": ('[template]\nbase = ["a.toml"]\n', "base cannot be varied"),
    "twice": ("[template]\nload.speed_rpm = [1]\n'load.speed_rpm' = [2]\n", "stands there twice"),
    "no key": ("[template]\n'load..speed_rpm' = [2]\n", "is not a dotted key"),
    "too many": (f"[template]\nload.speed_rpm = {list(range(40))}\nrun.seed = {list(range(40))}\n", "for 1600 scenarios"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_template_that_cannot_be_used_is_one_sentence(tmp_path, name):
    extra, told = WRONG[name]
    text = extra if extra.startswith("template") else GOOD + extra
    with pytest.raises(ScenarioError) as error:
        load_scenarios(write(tmp_path, text))
    (problem,) = error.value.problems
    assert told in problem and problem.startswith(f"{tmp_path}/bench.toml: template")


def test_wrong_values_name_their_case_and_shared_problems_stand_once(tmp_path):
    told = refused(tmp_path, "[template]\nload.spede_rpm = [1, 2]\nrun.substeps = [2]\n")
    assert told[0] == (
        'bench.toml [spede_rpm=1,substeps=2]: load.spede_rpm = 1: unknown key in [load]. Did you mean "speed_rpm"?'
    )
    told = refused(tmp_path, SPEEDS + "[run2]\n")
    assert len(told) == 1 and "run2" in told[0]
    (told,) = refused(tmp_path, "[template]\nexpect.7.max = [1, 2]\n", ["template='max=1'"])
    assert told == "bench.toml [max=1]: expect.7.max: the list has 2 entries. Count entries from 0."


def test_choosing_what_is_not_there(tmp_path):
    (told,) = refused(tmp_path, SPEEDS, ["template='speed_rpm=300'"])
    assert 'there is no scenario "speed_rpm=300". Did you mean "speed_rpm=3000"' in told
    (told,) = refused(tmp_path, "", ["template=slow"])
    assert told == 'bench.toml: is no template: there is no case "slow" to choose. Leave --set template out.'
