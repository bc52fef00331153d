"""A user's compiled controller: what it may do, what is kept in the cache, and the sentence for each way to get it wrong."""

import os
import subprocess
import sys
import textwrap
from pathlib import Path

import numpy as np
import pytest
from own_controllers import differing, run_class, write_scenario

import simcore
from controllers import CompiledController, ContractError
from controllers.own_code import code_key, own_folder
from simcore import Bench, RunError, ScenarioError, load_scenario

HEAD = "import math\nimport numpy as np\nfrom numba import njit\nfrom controllers import CompiledController\n"
SPIN = """
class Spin(CompiledController):
    parameters = ("volts", "step_rad")
    state = ("angle",)
    signals = ("angle",)

    def prepare(self, setup, p, s):
        p.volts, p.step_rad = setup.tuning["volts"], 0.01
        s.angle = 0.5

    @staticmethod
    def update(p, s, m, c):
        s.angle += p.step_rad
        c.duty_a = 0.5 + p.volts * math.cos(s.angle) / m.link_voltage_V
        c.duty_b = c.duty_c = 0.5
        c.extra[0] = s.angle
"""
TUNING = "tuning = { volts = 5.0 }"


def write(folder, source, name="spin.py"):
    (folder / name).write_text(HEAD + textwrap.dedent(source))


def update_of(body, **more):
    """Source of a class whose update has this body."""
    lines = textwrap.indent(textwrap.dedent(body), " " * 8)
    return (
        f"class Spin(CompiledController):\n    state = {more.get('state', ('count',))!r}\n"
        f"    def prepare(self, setup, p, s):\n        {more.get('prepare', 'pass')}\n"
        f"    @staticmethod\n    def update({more.get('arguments', 'p, s, m, c')}):\n{lines}\n"
    )


# What it may do ---------------------------------------------------------------------------------------------------------


def test_records_are_filled_state_starts_where_prepare_says_and_signals_are_recorded(tmp_path):
    write(tmp_path, SPIN)
    recording = run_class(tmp_path, "spin:Spin", TUNING)
    angle = 0.5 + 0.01 * np.arange(1, len(recording) + 1)
    assert recording["controller_angle"] == pytest.approx(angle, rel=1e-12)
    # The duties act one update later.
    assert recording["duty_a"][1:] == pytest.approx(0.5 + 5.0 * np.cos(angle[:-1]) / 400.0, rel=1e-12)


def test_every_run_begins_anew(tmp_path):
    write(tmp_path, SPIN)
    bench = Bench(load_scenario(write_scenario(tmp_path, "spin:Spin", TUNING)))
    assert differing(bench.run(), bench.run()) == []
    assert differing(bench.run(), bench.run(in_python=True)) == []


def test_records_may_hold_arrays_whole_numbers_and_records(tmp_path):
    source = """
    PI = np.dtype([("kp", "f8"), ("sum", "f8")])
    class Spin(CompiledController):
        parameters = np.dtype([("gains", "f4", (3,)), ("on", "i2")])
        state = np.dtype([("axes", PI, (2,)), ("updates", "i4")])
        signals = ("updates", "sum")
        def prepare(self, setup, p, s):
            p.gains[:] = 1.0, 2.0, 4.0
            p.on = 3
            s.axes[1].kp = 0.25
        @staticmethod
        def update(p, s, m, c):
            s.updates += 1
            s.axes[1].sum += s.axes[1].kp * p.gains[2] * p.on
            c.duty_a = c.duty_b = c.duty_c = 0.5
            c.extra[0], c.extra[1] = s.updates, s.axes[1].sum
    """
    write(tmp_path, source)
    recording = run_class(tmp_path, "spin:Spin")
    assert recording["controller_updates"].tolist() == list(range(1, 201))
    assert recording["controller_sum"] == pytest.approx(3.0 * np.arange(1, 201))


def test_an_update_may_take_tables_and_call_helpers_of_other_modules(tmp_path):
    (tmp_path / "my_law.py").write_text("from numba import njit\n@njit\ndef shifted(x):\n    return x + 0.125\n")
    source = """
    from my_law import shifted
    class Spin(CompiledController):
        def prepare(self, setup, p, s):
            self.tables = [0.25, 0.5]
        @staticmethod
        def update(p, s, m, c, tables):
            c.duty_a, c.duty_b, c.duty_c = shifted(tables[0]), tables[1], 0.5
    """
    write(tmp_path, source)
    recording = run_class(tmp_path, "spin:Spin")
    assert recording["duty_a"][5] == 0.375 and recording["duty_b"][5] == 0.5
    sys.modules.pop("my_law")


def test_an_update_may_make_arrays(tmp_path):
    write(tmp_path, update_of("shares = np.zeros(3)\nshares[1] = 0.75\nc.duty_a = shares.sum()"))
    for _ in range(2):
        assert run_class(tmp_path, "spin:Spin")["duty_a"][5] == 0.75


def test_what_is_not_written_stays_and_gates_are_on_at_the_beginning(tmp_path):
    write(tmp_path, update_of("s.count += 1\nif s.count < 3:\n    c.duty_a, c.torque_estimate_Nm = 0.25, s.count"))
    recording = run_class(tmp_path, "spin:Spin")
    assert set(recording["duty_a"][1:]) == {0.25} and set(recording["duty_b"][1:]) == {0.0}
    assert recording["torque_estimate_Nm"][[0, 1, 2, 50]].tolist() == [1.0, 2.0, 2.0, 2.0]
    assert np.isnan(recording["voltage_margin_V"]).all()


def test_a_code_ends_the_run_with_a_sentence(tmp_path):
    write(tmp_path, update_of("s.count += 1\nc.duty_a = 0.5\nif s.count == 21:\n    return 7"))
    with pytest.raises(RunError, match="Spin ended the run at tick 20 .0.001 s. with its own code 7") as caught:
        run_class(tmp_path, "spin:Spin")
    assert caught.value.recording.ticks == 20
    with pytest.raises(RunError, match="its own code 7"):
        run_class(tmp_path, "spin:Spin", in_python=True)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("c.extra[int(s.count)] = 1.0", "IndexError at tick 16 (0.0008 s): index is out of bounds"),
        ("if s.count > 16:\n    raise ValueError('lost')", "ValueError at tick 16 (0.0008 s): lost"),
    ],
)
@pytest.mark.parametrize("in_python", [False, True])
def test_an_exception_inside_ends_the_run_with_a_sentence(tmp_path, body, words, in_python):
    write(tmp_path, update_of(f"{body if 'if' not in body else ''}\ns.count += 1\n{body if 'if' in body else ''}"))
    with pytest.raises(RunError, match="Spin.(update|step) raised") as caught:
        run_class(tmp_path, "spin:Spin", in_python=in_python)
    sentence = str(caught.value)
    for word in words.split(" at "):
        assert word in sentence
    assert caught.value.recording.ticks == 16 and np.isfinite(caught.value.recording["id_A"]).all()


def test_an_exception_inside_is_one_members_error(tmp_path):
    from simcore.loop.ensemble import run_ensemble

    write(tmp_path, update_of("s.count += 1\nif s.count > m.id_reference_A + 30:\n    raise ValueError('lost')"))
    scenario = load_scenario(write_scenario(tmp_path, "spin:Spin"))
    other = load_scenario(write_scenario(tmp_path, "spin:Spin"), ["commands.id_A=1000"])
    failed, whole = run_ensemble([scenario, other], workers=2)
    assert "Spin.update raised ValueError at tick 10" in failed.error and whole.error is None


# What is kept -----------------------------------------------------------------------------------------------------------


def test_an_edit_of_code_constant_or_helper_is_never_run_stale(tmp_path):
    seen = []
    for helper, gain in ((1.0, 0.5), (1.0, 0.25), (2.0, 0.25)):
        (tmp_path / "my_law.py").write_text(f"from numba import njit\n@njit\ndef scaled(x):\n    return {helper} * x\n")
        body = f"import my_law\nGAIN = {gain}\n" + update_of("c.duty_a = my_law.scaled(GAIN)")
        write(tmp_path, body)
        sys.modules.pop("my_law", None)
        seen.append(run_class(tmp_path, "spin:Spin")["duty_a"][5])
    sys.modules.pop("my_law")
    assert seen == [0.5, 0.25, 0.5]


def test_the_key_follows_all_that_is_compiled_in():
    def made(factor, table, inner=1.0):
        def helper(x):
            return inner * x

        def update(p, s, m, c):
            c.duty_a = helper(factor) * table[0]

        return update

    key = code_key(made(1.0, np.ones(2)))
    assert key == code_key(made(1.0, np.ones(2))) and len(key) == 16
    others = [(2.0, np.ones(2)), (1.0, np.zeros(2)), (1.0, np.ones(2, "f4")), (1.0, np.ones(2), 3.0), (1, np.ones(2))]
    keys = {code_key(made(*other)) for other in others} | {key, code_key(made(1.0, np.ones(2)), np.dtype([("a", "f8")]))}
    assert len(keys) == 7


def test_folders_of_edits_long_ago_go(tmp_path, monkeypatch):
    monkeypatch.setattr("simcore.kernel.code_folder", lambda: str(tmp_path))
    monkeypatch.setattr("controllers.own_code.KEPT_FOLDERS", 3)
    for age in range(5):
        (tmp_path / "own" / f"old{age}").mkdir(parents=True)
        os.utime(tmp_path / "own" / f"old{age}", (1e9 - age, 1e9 - age))
    kept = Path(own_folder(test_folders_of_edits_long_ago_go))
    assert sorted(path.name for path in (tmp_path / "own").iterdir()) == sorted(["old0", "old1", kept.name])


def test_the_next_process_loads_it_from_the_cache(tmp_path):
    write(tmp_path, update_of("c.duty_a = 0.375"))
    scenario = write_scenario(tmp_path, "spin:Spin")
    program = (
        "from simcore import Bench, load_scenario\n"
        f"bench = Bench(load_scenario({str(scenario)!r}))\n"
        "step = bench.controller.compiled_function()\n"
        "print(sum(step.stats.cache_hits.values()), sum(step.stats.cache_misses.values()))\n"
        "print(bench.run()['duty_a'][5])"
    )
    root = str(Path(simcore.__file__).resolve().parents[1])
    answers = [
        subprocess.run([sys.executable, "-c", program], cwd=root, check=True, capture_output=True, text=True).stdout.split()
        for _ in range(2)
    ]
    assert answers[-1] == ["1", "0", "0.375"] and answers[0][-1] == "0.375"


# Wrong ones -------------------------------------------------------------------------------------------------------------

WRONG = {
    "unknown field": ("c.duty_a = m.ia", {}, ['spin.py, line 13: there is no field "ia". Did you mean "ia_A"?']),
    "unknown field written": ("c.duty_q = 0.5", {}, ['no field "duty_q"']),
    "unknown name": ("c.duty_a = nothing", {}, ["line 13", "'nothing' is not defined", "Define it"]),
    "plain helper": ("c.duty_a = helper(1.0)", {}, ["Cannot determine Numba type of <class 'function'>", "@njit"]),
    "returns a fraction": ("return 0.5", {}, ["it returns float64", "whole number"]),
    "not in the language": ("with open('x') as f:\n    pass", {}, ["not supported", "part of Python"]),
    "three arguments": ("c = 1", {"arguments": "p, s, m"}, ["Spin.update takes (p, s, m); expected (p, s, m, c)"]),
    "keyword only": ("c = 1", {"arguments": "p, s, m, *, c"}, ["Spin.update takes (p, s, m); expected (p, s, m, c)"]),
    "wrong call": ("c.duty_a = math.sin(1.0, 2.0)", {}, ["line 13", "no form of sin(float64, float64)"]),
    "text": ("c.duty_a = 'half'", {}, ["spin.py"]),
    "no state field": ("s.integral = 1.0", {}, ['no field "integral"']),
    "field of numpy": ("c.duty_a = 0.5", {"state": ("T",)}, ['Spin.state: "T" is an attribute of every NumPy record. Rename']),
    "twice": ("c.duty_a = 0.5", {"state": ("a", "a")}, ["Spin.state", "'a' occurs more than once"]),
    "no name": ("c.duty_a = 0.5", {"state": ("a b",)}, ['Spin.state: "a b" is no name']),
    "one text": ("c.duty_a = 0.5", {"state": "angle"}, ["Spin.state", "Write names of numbers"]),
    "a number": ("c.duty_a = 0.5", {"state": 3}, ["Spin.state", "Write names of numbers"]),
    "objects": ("c.duty_a = 0.5", {"state": [("a", "O")]}, ['Spin.state: "a" is of type object']),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_what_cannot_be_compiled_gets_one_sentence(tmp_path, case):
    body, more, words = WRONG[case]
    write(tmp_path, "def helper(x):\n    return x\n" + update_of(body, **more))
    bench = Bench(load_scenario(write_scenario(tmp_path, "spin:Spin")))
    for attempt in (bench.load_kernels, bench.run):
        with pytest.raises(ScenarioError) as caught:
            attempt()
        (sentence,) = caught.value.problems
        assert sentence.startswith("own.toml: controller.class: Spin.") and "\n" not in sentence and len(sentence) < 700
        for word in words:
            assert word in sentence, sentence


def test_an_update_with_self_is_told_to_go_without(tmp_path):
    source = update_of("c.duty_a = 0.5", arguments="self, p, s, m, c").replace("    @staticmethod\n", "")
    write(tmp_path, source)
    with pytest.raises(ScenarioError, match="Spin.update has no self, only p, s, m, c. Write @staticmethod above it."):
        Bench(load_scenario(write_scenario(tmp_path, "spin:Spin"))).load_kernels()


def test_an_update_compiled_by_the_user_is_taken_all_the_same(tmp_path):
    write(tmp_path, update_of("c.duty_a = 0.375").replace("@staticmethod", "@staticmethod\n    @njit"))
    assert run_class(tmp_path, "spin:Spin")["duty_a"][5] == 0.375


def test_prepare_and_update_must_be_written(tmp_path):
    write(tmp_path, "class Spin(CompiledController):\n    parameters = ('a',)\n")
    with pytest.raises(ScenarioError, match="Spin does not define prepare and update"):
        Bench(load_scenario(write_scenario(tmp_path, "spin:Spin")))


def test_a_field_that_prepare_does_not_know_is_told(tmp_path):
    write(tmp_path, update_of("c.duty_a = 0.5", prepare="p.gain = 3.0"))
    with pytest.raises(RunError, match=r"Spin.reset raised AttributeError .spin.py, line 8.: .*gain"):
        run_class(tmp_path, "spin:Spin")


# A bare compiled step ---------------------------------------------------------------------------------------------------

BARE = """
from controllers import Command, CompiledStep, Controller
from controllers.contract import step_signature
from numba import njit, types

def step(measured, commands, parameters, state, tables, member):
    state[member, 0] += 1.0
    c = commands[member]
    c.duty_a, c.duty_b, c.duty_c = parameters[member, 0], tables[1], 0.5
    return 0

FUNCTION

class Spin(Controller):
    def reset(self, setup):
        self.rows = np.array([[0.25, 1.0]]), np.zeros((1, 1)), np.array([0.0, 0.75])
    def step(self, measured):
        return Command(0.25, 0.75, 0.5)
    def compiled_step(self):
        return ANSWER
"""
GOOD_ANSWER = "CompiledStep(step, *self.rows)"


def bare(folder, function="", answer=GOOD_ANSWER):
    write(folder, BARE.replace("FUNCTION", function).replace("ANSWER", answer))
    return run_class(folder, "spin:Spin")


@pytest.mark.parametrize("function", ["", "step = njit(step)", "step = njit(step_signature())(step)"])
def test_a_bare_step_runs_compiled_or_not(tmp_path, function):
    recording = bare(tmp_path, function)
    assert recording["duty_a"][5] == 0.25 and recording["duty_b"][5] == 0.75
    python = run_class(tmp_path, "spin:Spin", in_python=True)
    assert differing(recording, python) == []


BAD_STEPS = {
    "of numbers": (
        "step = njit(types.float64(types.float64))(lambda x: x)", GOOD_ANSWER,
        ["is compiled for 1 arguments; expected int64 step(measured, commands, parameters, state, tables, member)"],
    ),
    "of other types": (
        "step = njit(types.int64(*[types.int64] * 6))(lambda a, b, c, d, e, f: 0)", GOOD_ANSWER,
        ["step_signature", "compiled for arguments of other types"],
    ),
    "of another return": (
        "step = njit(types.float64(*step_signature().args))(step)", GOOD_ANSWER, ["step returns float64; expected int64"],
    ),
    "no function": ("step = 3", GOOD_ANSWER, ["gave as function: int"]),
    "does not compile": ("def step(measured, commands, parameters, state, tables, member):\n    return 'x'", GOOD_ANSWER,
                         ["step does not compile"]),
    "wrong field": (
        "def step(measured, commands, parameters, state, tables, member):\n    commands[member].duty = 0.5\n    return 0",
        GOOD_ANSWER, ['no field "duty". Did you mean "duty_'],
    ),
    "a tuple": ("", "(step, *self.rows)", ["answered tuple; expected a CompiledStep"]),
    "rows of one dimension": ("", "CompiledStep(step, np.zeros(2), *self.rows[1:])",
                              ["gave as parameters: 1-D array of float64; expected rows of numbers"]),
    "whole numbers": ("", "CompiledStep(step, np.zeros((1, 2), int), *self.rows[1:])", ["2-D array of int64"]),
    "lists": ("", "CompiledStep(step, self.rows[0], [[0.0]], self.rows[2])", ["gave as state: list"]),
    "no rows": ("", "CompiledStep(step, self.rows[0], np.zeros((0, 3)), self.rows[2])", ["gave as state"]),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_STEPS)
def test_a_bare_step_of_the_wrong_form_gets_one_sentence(tmp_path, case):
    function, answer, words = BAD_STEPS[case]
    with pytest.raises(ScenarioError) as caught:
        bare(tmp_path, function, answer)
    (sentence,) = caught.value.problems
    assert sentence.startswith("own.toml: controller.class: ") and "\n" not in sentence
    for word in words:
        assert word in sentence, sentence


def test_a_compiled_step_that_raises_before_the_run(tmp_path):
    with pytest.raises(RunError, match="Spin.compiled_step raised ZeroDivisionError"):
        bare(tmp_path, "", "1 / 0")


def test_the_decorator_compiles_for_the_published_signature():
    from controllers.compiled_step import compile_step
    from controllers.contract import step_signature

    @compile_step
    def hold(measured, commands, parameters, state, tables, member):
        commands[member].duty_a = 0.5
        return 0

    assert list(hold.overloads) == [step_signature().args]
    with pytest.raises(ContractError, match="wrong does not compile"):

        @compile_step
        def wrong(measured):
            return 0


def test_a_class_is_compiled_once_and_shared_by_its_instances(tmp_path):
    class Held(CompiledController):
        parameters = ("duty",)

        def prepare(self, setup, p, s):
            p.duty = setup.tuning["duty"]

        @staticmethod
        def update(p, s, m, c):
            c.duty_a = c.duty_b = c.duty_c = p.duty

    assert Held.compiled_function() is Held().compiled_function()
    path = write_scenario(tmp_path, "controllers.foc:FieldOrientedController", "tuning = {}\nmode = 'current'")
    duties = [0.25, 0.75]
    benches = [Bench(load_scenario(path, [f"controller.tuning={{duty={duty}}}"]), Held()) for duty in duties]
    members = [bench.member() for bench in benches]
    for _ in range(3):
        for member, step in members:
            member.run_compiled(step)
    assert [member.rows[-1, 7] for member, _ in members] == duties
