"""A user's own controller class, from a file beside the scenario: what it is given, and what happens when it is wrong."""

import math
import sys
import textwrap

import numpy as np
import pytest

from controllers import Command, Controller
from simcore import Bench, RunError, ScenarioError, load_scenario

SCENARIO = """
[machine]
kind = "constants"
pole_pairs = 4
stator_resistance_ohm = 0.01
inductance_d_H = 0.2e-3
inductance_q_H = 0.6e-3
magnet_flux_Wb = 0.07
max_current_A = 400
max_speed_rpm = 12000
[inverter]
switching_frequency_Hz = 10000
{inverter}
[supply]
kind = "source"
voltage_V = 400
[load]
kind = "rig"
speed_rpm = 600
[controller]
class = "{name}"
{controller}
[commands]
torque_Nm = [[0.0, 5.0], [0.002, 7.0]]
id_A = 3.0
[initial]
angle_electrical_deg = 30.0
[run]
duration_s = 0.005
record_every = 1
"""
HEAD = "from controllers import Command, Controller\n"
GOOD = HEAD + textwrap.dedent(
    """
    class Spin(Controller):
        def reset(self, setup):
            self.setup = setup
        def step(self, measured):
            return Command(0.5, 0.5, 0.5)
    """
)


@pytest.fixture
def write(tmp_path):
    """write(source, name=..., ...) => path of a scenario beside a module spin.py with that source."""

    def make(source=GOOD, name="spin:Spin", folder=tmp_path, controller="", inverter="", module="spin.py"):
        folder.mkdir(exist_ok=True)
        (folder / module).write_text(source)
        path = folder / "own.toml"
        path.write_text(SCENARIO.format(name=name, controller=controller, inverter=inverter))
        return path

    return make


def step_body(body, signals=""):
    """Source of a class whose step does `body` from update 20 on and answers half duty before."""
    lines = textwrap.indent(textwrap.dedent(body), " " * 12)
    return HEAD + (
        f"import math, numpy\nclass Spin(Controller):\n    {signals or 'pass'}\n"
        f"    def reset(self, setup):\n        self.k = 0\n"
        f"    def step(self, measured):\n        self.k += 1\n        if self.k > 20:\n{lines}\n"
        f"        return Command(0.5, 0.5, 0.5)\n"
    )


# What it is given -------------------------------------------------------------------------------------------------------


class Watching(Controller):
    """Keeps everything it sees; holds a fixed stator voltage."""

    signals = ("update", "angle")

    def reset(self, setup):
        self.setup, self.seen = setup, []

    def step(self, measured):
        self.seen.append(measured)
        return Command(0.55, 0.48, 0.47, extra=(len(self.seen) - 1, measured.angle_electrical_rad))


@pytest.mark.parametrize("update", ["double", "single"])
def test_with_ideal_sensors_it_sees_the_true_state_at_the_sample(write, update):
    controller = Watching()
    recording = Bench(load_scenario(write(inverter=f'update = "{update}"')), controller=controller).run()
    every = {"double": 1, "single": 2}[update]
    seen = controller.seen
    assert len(seen) == 100 // every
    rows = slice(None, None, every)
    assert [m.time_s for m in seen] == pytest.approx(recording.time_s[rows])
    for name in ("ia_A", "ib_A", "ic_A"):
        assert [getattr(m, name) for m in seen] == pytest.approx(recording[name][rows], abs=1e-9)
    angle = np.array([m.angle_electrical_rad for m in seen])
    assert (np.abs(angle) <= math.pi).all()
    assert np.cos(angle) == pytest.approx(np.cos(np.radians(4.0 * recording["angle_deg"][rows])), abs=1e-9)
    assert np.sin(angle) == pytest.approx(np.sin(np.radians(4.0 * recording["angle_deg"][rows])), abs=1e-9)
    assert angle[0] == pytest.approx(math.radians(30.0))
    assert {round(m.speed_rpm, 9) for m in seen} == {600.0}
    assert {m.link_voltage_V for m in seen} == {400.0}
    assert {m.winding_degC for m in seen} == {25.0} and {m.junction_degC for m in seen} == {25.0}
    # Commands in force at the sample; absent ones are not numbers.
    assert [m.torque_reference_Nm for m in seen] == [5.0 if m.time_s < 0.002 - 1e-9 else 7.0 for m in seen]
    assert {m.id_reference_A for m in seen} == {3.0}
    assert all(math.isnan(m.speed_reference_rpm) and math.isnan(m.vq_reference_V) for m in seen)
    assert controller.setup.update_s == pytest.approx(every * 50e-6) and controller.setup.mode == "torque"
    # Its own signals stand in the row of the tick they were made at.
    assert recording["controller_update"][rows] == pytest.approx(np.arange(len(seen)))
    assert recording["controller_angle"][rows] == pytest.approx(angle)
    # The duties act one update later.
    assert recording["duty_a"][: every + 2].tolist() == [0.5] * every + [0.55] * 2


def test_without_delay_a_command_acts_once_and_alone(write):
    # Switched legs at duty 0 from the first update on: after the first change no leg may ever switch again.
    class Down(Controller):
        def reset(self, setup):
            pass

        def step(self, measured):
            return Command(0.0, 0.0, 0.0)

    path = write(controller="delay_updates = 0", inverter='model = "switched"\ndead_time_s = 2e-6')
    text = path.read_text().replace(
        "[initial]", "[[scope]]\nfrom_s = 55e-6\nto_s = 0.004\nstep_s = 0.9e-6\n[initial]\nid_A = 50.0"
    )
    path.write_text(text)
    scope = Bench(load_scenario(path), controller=Down()).run().scopes[0]
    for leg in "abc":
        assert np.array_equal(scope[f"leg_{leg}_V"], np.zeros(len(scope["time_s"])))


def test_what_it_reports_is_recorded(write):
    class Reports(Controller):
        def reset(self, setup):
            pass

        def step(self, measured):
            return Command(
                0.5, 0.5, 0.5, torque_reference_Nm=1.0, torque_estimate_Nm=2.0, id_reference_A=4.0, iq_reference_A=5.0,
                voltage_margin_V=6.0, binding_limit=2,
            )  # fmt: skip

    recording = Bench(load_scenario(write()), controller=Reports()).run()
    reported = ("torque_reference_Nm", "torque_estimate_Nm", "id_reference_A", "iq_reference_A", "voltage_margin_V")
    assert [recording[name][7] for name in (*reported, "binding_limit")] == [1.0, 2.0, 4.0, 5.0, 6.0, 2.0]
    # A silent one leaves the commands as references and nothing else.
    recording = Bench(load_scenario(write()), controller=Watching()).run()
    assert recording["torque_reference_Nm"][0] == 5.0 and recording["id_reference_A"][0] == 3.0
    assert np.isnan(recording["torque_estimate_Nm"]).all()


@pytest.mark.parametrize(
    "answer",
    ["Command(0, 1, 0.5)", "Command(numpy.float32(0.25), numpy.float64(0.5), True)", "Command(1.0 + 1e-12, -1e-12, 0.5)"],
)
def test_duties_may_be_any_number_in_range(write, answer):
    recording = Bench(load_scenario(write(step_body(f"return {answer}")))).run()
    for name in ("duty_a", "duty_b", "duty_c"):
        assert 0.0 <= recording[name].min() and recording[name].max() <= 1.0


def test_a_class_is_used_from_the_file_beside_and_may_import_its_neighbours(write, tmp_path):
    (tmp_path / "my_law.py").write_text("duty = 0.625\n")
    source = HEAD + textwrap.dedent(
        """
        from my_law import duty
        class Spin(Controller):
            def reset(self, setup): pass
            def step(self, measured): return Command(duty, 0.5, 0.5)
        """
    )
    before = list(sys.path)
    recording = Bench(load_scenario(write(source))).run()
    assert recording["duty_a"][5] == 0.625
    assert sys.path == before
    sys.modules.pop("my_law", None)


def test_two_folders_may_have_modules_of_one_name(write, tmp_path):
    duties = {}
    for folder, duty in (("one", 0.25), ("two", 0.75)):
        source = GOOD.replace("Command(0.5,", f"Command({duty},")
        duties[folder] = Bench(load_scenario(write(source, folder=tmp_path / folder))).run()["duty_a"][5]
    assert duties == {"one": 0.25, "two": 0.75}


def test_an_edited_module_is_read_anew(write):
    assert Bench(load_scenario(write())).run()["duty_a"][5] == 0.5
    assert Bench(load_scenario(write(GOOD.replace("0.5, 0.5, 0.5", "0.75, 0.5, 0.5")))).run()["duty_a"][5] == 0.75


def test_a_module_named_controllers_beside_the_scenario_is_not_taken_for_ours(write, tmp_path):
    (tmp_path / "controllers.py").write_text("raise RuntimeError('not this one')\n")
    scenario = load_scenario(write(name="controllers.foc:FieldOrientedController", controller='mode = "torque"'))
    assert type(Bench(scenario).controller).__module__ == "controllers.foc"


# Classes that cannot be used --------------------------------------------------------------------------------------------

BAD_MODULES = {
    "missing class": ("class Spinn(Controller):\n    pass\n", ["the module has no class Spin", 'Did you mean "Spinn"?']),
    "no class at all": ("x = 1\n", ["the module has no class Spin", "no controller"]),
    "not derived": (
        "class Spin:\n    def reset(self, s): pass\n    def step(self, m): pass\n",
        ["Spin is not a class derived from controllers.Controller"],
    ),
    "a function": ("def Spin():\n    pass\n", ["Spin is not a class derived from controllers.Controller"]),
    "without step": ("class Spin(Controller):\n    def reset(self, s): pass\n", ["does not define step"]),
    "without both": ("class Spin(Controller):\n    pass\n", ["does not define reset and step"]),
    "constructor wants something": (
        "class Spin(Controller):\n    def __init__(self, gain): pass\n"
        "    def reset(self, s): pass\n    def step(self, m): pass\n",
        ["Spin() raised TypeError", "made without arguments"],
    ),
    "constructor fails": (
        "class Spin(Controller):\n    def __init__(self): 1 / 0\n    def reset(self, s): pass\n    def step(self, m): pass\n",
        ["Spin() raised ZeroDivisionError"],
    ),
    "syntax error": ("class Spin(Controller)\n    pass\n", ["spin.py, line 2, raised SyntaxError"]),
    "import error": ("import no_such_package_here\n", ["spin.py, line 2, raised ModuleNotFoundError", "no_such_package_here"]),
    "fails while loading": ("x = [][3]\n", ["spin.py, line 2, raised IndexError"]),
    "ends the program": ("import sys\nsys.exit(0)\n", ["spin.py, line 3, raised SystemExit"]),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_MODULES)
def test_a_class_that_cannot_be_used_gets_a_sentence(write, case):
    source, words = BAD_MODULES[case]
    with pytest.raises(ScenarioError) as caught:
        Bench(load_scenario(write(HEAD + source)))
    (sentence,) = caught.value.problems
    assert "own.toml: controller.class" in sentence and "Spin" in sentence
    for word in words:
        assert word in sentence, sentence


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("spinn:Spin", ["no spinn.py beside the file", 'Did you mean "spin.py"?']),
        ("spin", ["must name a module and a class"]),
        ("spin:Spin:Spin", ["controller.class"]),
        ("controllers.fok:FieldOrientedController", ["the shipped package controllers has no such module"]),
        ("controllers.foc:Foc", ["the module has no class Foc"]),
        ("no_such_module_anywhere:Spin", ["no no_such_module_anywhere.py beside the file"]),
    ],
)
def test_a_name_that_leads_nowhere_gets_a_sentence(write, name, words):
    with pytest.raises(ScenarioError) as caught:
        Bench(load_scenario(write(name=name)))
    assert any(all(word in sentence for word in words) for sentence in caught.value.problems), caught.value.problems


def test_a_program_end_in_reset_is_an_error_like_others(write):
    with pytest.raises(RunError, match="Spin.reset raised SystemExit"):
        Bench(load_scenario(write(GOOD.replace("self.setup = setup", "raise SystemExit(0)")))).run()


def test_too_many_signals_are_refused(write):
    names = ", ".join(f'"s{k}"' for k in range(17))
    with pytest.raises(ScenarioError, match="Spin.signals has 17 names; at most 16"):
        Bench(load_scenario(write(step_body("pass", f"signals = ({names})")))).run()


def test_a_tuning_it_refuses_itself_is_wrong_input(write):
    source = GOOD.replace("import Command, Controller", "import Command, Controller, TuningError").replace(
        "self.setup = setup", 'raise TuningError("controller.tuning.gain: missing. Give it.")'
    )
    with pytest.raises(ScenarioError, match="own.toml: controller.tuning.gain: missing. Give it."):
        Bench(load_scenario(write(source))).run()


# Answers that end a run -------------------------------------------------------------------------------------------------

PLACE = "(0.001 s)"  # update 20 is tick 20 of 50 us
NO_NUMBERS = "Spin.step answered a Command whose fields are not all numbers"
LATER = "not available in this version"
BAD_ANSWERS = {
    "raises": ("raise ValueError('no idea')", ["Spin.step raised ValueError (spin.py, line 10)", "tick 20", PLACE, "no idea"]),
    "raises silently": ("raise RuntimeError", ["Spin.step raised RuntimeError", "without a message", "tick 20"]),
    "divides by zero": ("return Command(1 / 0, 0.5, 0.5)", ["Spin.step raised ZeroDivisionError", "tick 20"]),
    "ends the program": ("import sys; sys.exit(0)", ["Spin.step raised SystemExit", "tick 20"]),
    "none": ("return None", ["Spin.step answered None at update 20", "expected controllers.Command", PLACE]),
    "tuple": ("return 0.5, 0.5, 0.5", ["Spin.step answered tuple at update 20", "expected controllers.Command"]),
    "number": ("return 0.5", ["Spin.step answered float at update 20"]),
    "array": ("return numpy.array([0.5, 0.5, 0.5])", ["Spin.step answered ndarray at update 20"]),
    "text duty": ("return Command('half', 0.5, 0.5)", [NO_NUMBERS, "half"]),
    "none duty": ("return Command(None, 0.5, 0.5)", [NO_NUMBERS]),
    "complex duty": ("return Command(0.5j, 0.5, 0.5)", [NO_NUMBERS]),
    "array duty": ("return Command(numpy.zeros(2), 0.5, 0.5)", [NO_NUMBERS]),
    "nan": ("return Command(0.5, math.nan, 0.5)", ["Spin gave a duty that is not a finite number at tick 20", PLACE]),
    "inf": ("return Command(0.5, 0.5, math.inf)", ["Spin gave a duty that is not a finite number at tick 20", PLACE]),
    "opposite infinities": ("return Command(math.inf, -math.inf, 0.5)", ["not a finite number at tick 20"]),
    "above": ("return Command(0.5, 1.5, 0.5)", ["Spin gave a duty of 1.5 at tick 20", PLACE, "0..1", "Clip"]),
    "just above": ("return Command(0.5, 1.0001, 0.5)", ["Spin gave a duty of 1.0001 at tick 20"]),
    "negative": ("return Command(0.5, 0.5, -0.2)", ["Spin gave a duty of -0.2 at tick 20", PLACE]),
    "gates none": ("return Command(0.5, 0.5, 0.5, gates_on=None)", [NO_NUMBERS]),
    "gates nan": ("return Command(0.5, 0.5, 0.5, gates_on=math.nan)", ["update 20", "gates_on"]),
    "gate setting": ("return Command(0.5, 0.5, 0.5, gate_setting=2)", ["gate_setting = 2 at tick 20", "no such gate setting"]),
    "generator": ("yield 1", ["Spin.step answered generator at update 0"]),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_ANSWERS)
def test_a_wrong_answer_ends_the_run_with_a_sentence_and_keeps_the_recording(write, case):
    body, words = BAD_ANSWERS[case]
    with pytest.raises(RunError) as caught:
        Bench(load_scenario(write(step_body(body)))).run()
    sentence = str(caught.value)
    for word in words:
        assert word in sentence, sentence
    recording = caught.value.recording
    ticks = 0 if "update 0" in sentence else 20
    assert recording.ticks == len(recording) == ticks
    assert recording.error == sentence
    for name in recording.signals:
        assert len(recording[name]) == len(recording), name
    assert np.isfinite(recording["id_A"]).all()
    assert recording.closing_time_s == pytest.approx(recording.ticks * 50e-6)
    assert abs(recording.audit["residual_relative"]) < 1e-6


@pytest.mark.parametrize("update", ["double", "single"])
@pytest.mark.parametrize("delay", [0, 1])
@pytest.mark.parametrize("body", ["raise ValueError", "return Command(math.nan, 0.5, 0.5)", "return Command(0.5, 1.5, 0.5)"])
def test_a_wrong_answer_never_acts_and_the_last_row_is_whole(write, body, delay, update):
    # It fails at tick 20 (40 with single update), inside a row of seven ticks, before anything of that tick has happened.
    source = step_body(body).replace("return Command(0.5, 0.5, 0.5)", "return Command(0.55, 0.48, 0.5)")
    path = write(source, controller=f"delay_updates = {delay}", inverter=f'update = "{update}"')
    recordings = {}
    for every in (1, 7):
        path.write_text(path.read_text().replace("record_every = 1", f"record_every = {every}"))
        with pytest.raises(RunError) as caught:
            Bench(load_scenario(path)).run()
        recordings[every] = caught.value.recording
    fine, coarse = recordings[1], recordings[7]
    ticks = {"double": 20, "single": 40}[update]
    assert fine.ticks == coarse.ticks == len(fine) == ticks and len(coarse) == math.ceil(ticks / 7)
    assert fine.closing == coarse.closing and all(math.isfinite(value) for value in fine.closing.values())
    assert set(fine["duty_b"]) <= {0.5, 0.48}
    starts = np.arange(0, ticks, 7)
    lengths = np.diff(np.append(starts, ticks))
    for name in ("va_V", "vd_V", "power_link_W", "power_shaft_W", "loss_copper_W", "link_current_A"):
        assert coarse[name] == pytest.approx(np.add.reduceat(fine[name], starts) / lengths, rel=1e-9, abs=1e-9), name


@pytest.mark.parametrize(
    ("signals", "body", "words"),
    [
        ("signals = ('a', 'b')", "return Command(0.5, 0.5, 0.5, extra=(1.0,))", ["extra with 1 values for 2 signals"]),
        ("signals = ('a',)", "return Command(0.5, 0.5, 0.5, extra=(1.0, 2.0))", ["extra with 2 values for 1 signals"]),
        ("signals = ('a',)", "return Command(0.5, 0.5, 0.5, extra=('x',))", ["not all numbers"]),
        ("signals = ('a',)", "return Command(0.5, 0.5, 0.5, extra=None)", ["not all numbers"]),
        ("signals = ('a',)", "return Command(0.5, 0.5, 0.5)", ["extra with 0 values for 1 signals"]),
    ],
)
def test_extra_values_must_match_the_signals(write, signals, body, words):
    # The first twenty answers carry nothing: the very first update tells.
    with pytest.raises(RunError) as caught:
        Bench(load_scenario(write(step_body(body, signals).replace("self.k > 20", "self.k > 0")))).run()
    for word in [*words, "Spin.step", "update 0"]:
        assert word in str(caught.value)


def test_a_reset_that_fails_ends_the_run_before_it_begins(write):
    with pytest.raises(RunError) as caught:
        Bench(load_scenario(write(GOOD.replace("self.setup = setup", "setup.nothing")))).run()
    assert "Spin.reset raised AttributeError (spin.py, line 5)" in str(caught.value)
    assert caught.value.recording is None


@pytest.mark.parametrize("signature", ["def step(self):", "def step(self, a, b):"])
def test_a_step_of_another_signature_is_told(write, signature):
    with pytest.raises(RunError, match="Spin.step raised TypeError"):
        Bench(load_scenario(write(GOOD.replace("def step(self, measured):", signature)))).run()


def test_a_diverging_solution_names_tick_time_and_remedy(write):
    # A negative resistance in all but name: full voltage in phase with the current, without a limit, on a tiny inductance.
    source = step_body(
        """
        big = [max(-0.5, min(0.5, 1e3 * i)) for i in (measured.ia_A + 1e-3, measured.ib_A, measured.ic_A)]
        return Command(*(0.5 + b for b in big))
        """
    )
    text = write(source).read_text().replace("stator_resistance_ohm = 0.01", "stator_resistance_ohm = 0.0")
    text = text.replace("inductance_d_H = 0.2e-3", "inductance_d_H = 1e-7").replace(
        "inductance_q_H = 0.6e-3", "inductance_q_H = 2e-7"
    )
    text = text.replace("max_current_A = 400", "max_current_A = 1").replace("magnet_flux_Wb = 0.07", "magnet_flux_Wb = 1e-8")
    path = write(source)
    path.write_text(text)
    with pytest.raises(RunError) as caught:
        Bench(load_scenario(path)).run()
    assert "the solution diverged at tick" in str(caught.value) and " s)" in str(caught.value)
    assert 0 < len(caught.value.recording) < 100


@pytest.mark.parametrize(
    ("signals", "rule"),
    [
        ((1,), "must be a tuple of names"),
        ("ab", "must be a tuple of names"),
        (("a", "a"), "names one signal twice"),
        (("",), "letters a-z"),
        (("a/b",), "letters a-z"),
        (("flux_\u00e9",), "letters a-z"),
    ],
)
def test_own_signals_must_be_plain_names(make_scenario, signals, rule):
    class Named(Controller):
        def reset(self, setup):
            pass

        def step(self, measured):
            return Command(0.5, 0.5, 0.5, extra=(1.0,) * len(signals))

    Named.signals = signals
    with pytest.raises(ScenarioError, match=rule):
        Bench(make_scenario(), controller=Named()).run()


def test_a_number_beyond_doubles_is_answered_like_any_wrong_answer(make_scenario):
    class Enormous(Controller):
        def reset(self, setup):
            pass

        def step(self, measured):
            return Command(10**400, 0.5, 0.5)

    with pytest.raises(RunError, match="update 0") as failed:
        Bench(make_scenario(), controller=Enormous()).run()
    assert failed.value.recording is not None
