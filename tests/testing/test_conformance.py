"""The conformance checker: one deliberately faulty controller for each fault, and ours, which have none."""

import itertools
import math
import random
import time
from pathlib import Path

import numpy as np
import pytest

import controllers.foc
from controllers import Command, CompiledController, CompiledStep, Controller
from controllers.foc import FieldOrientedController
from simcore import ScenarioError
from simcore.testing import ConformanceError, check_controller

ROOT = Path(__file__).resolve().parents[2]
BESIDE = {"total": 0.0}
COUNT = itertools.count()


def findings_of(kind, **how):
    with pytest.raises(ConformanceError) as caught:
        check_controller(kind, **how)
    return caught.value.findings


def one_finding(kind, **how):
    (finding,) = findings_of(kind, **how)
    return finding


def duty(value, measured):
    """A duty that depends on value and on what is seen, in range."""
    return 0.5 + 0.3 * math.sin(value + 1e-2 * measured.ia_A)


class Good(Controller):
    """Keeps the contract; the faulty ones below change one thing each."""

    signals = ("total",)

    def reset(self, setup):
        self.total, self.history = 0.0, []

    def step(self, measured):
        self.total += 0.01
        self.history.append(measured.ia_A)
        return self.answer(measured)

    def answer(self, measured):
        return Command(duty(self.total, measured), 0.5, 0.5, extra=(self.total,))


def faulty(**members):
    """Good with some of its functions exchanged."""
    return type("Faulty", (Good,), members)


# Those that keep it -----------------------------------------------------------------------------------------------------


def test_a_good_one_passes():
    found = check_controller(Good)
    assert found.name == "Good" and found.updates == 1000 and found.real_time_factor is None


@pytest.mark.parametrize("mode", ["torque", "current", "voltage", "open_loop"])
def test_the_built_in_passes(mode):
    assert check_controller(FieldOrientedController, mode=mode, updates=300).name == "FieldOrientedController"


@pytest.mark.parametrize("name", ["own_controller", "torque_steps", "speed_steps", "field_weakening", "bilge_pump_start"])
def test_the_controllers_of_shipped_scenarios_pass(name):
    assert check_controller(ROOT / "scenarios" / f"{name}.toml", updates=200).updates == 200


# Answers that are wrong by themselves -----------------------------------------------------------------------------------

AFTER = 17


def late(value):
    """A step that gives `value` from update 17 on."""

    def answer(self, measured):
        if self.total > 0.01 * AFTER + 0.005:
            return value() if callable(value) else value
        return Command(0.5, 0.5, 0.5, extra=(0.0,))

    return faulty(answer=answer)


def boom():
    return 1 / 0


ANSWERS = {
    "nothing": (None, "answered None at update 17; expected controllers.Command"),
    "tuple": ((0.5, 0.5, 0.5), "answered tuple (0.5, 0.5, 0.5) at update 17; expected controllers.Command"),
    "raises": (boom, "step raised ZeroDivisionError at update 17 (division by zero)"),
    "not a number": (Command(0.5, math.nan, 0.5, extra=(0.0,)), "answered duty_b = nan at update 17; expected a number"),
    "infinite": (Command(0.5, 0.5, -math.inf, extra=(0.0,)), "answered duty_c = -inf at update 17; expected a number in 0..1"),
    "above": (Command(1.25, 0.5, 0.5, extra=(0.0,)), "answered duty_a = 1.25 at update 17; expected 0..1. Clip"),
    "below": (Command(0.5, -0.01, 0.5, extra=(0.0,)), "answered duty_b = -0.01 at update 17; expected 0..1"),
    "text": (Command("half", 0.5, 0.5, extra=(0.0,)), "answered duty_a = 'half' at update 17; expected a number"),
    "gates nan": (Command(0.5, 0.5, 0.5, math.nan, extra=(0.0,)), "answered gates_on = nan at update 17"),
    "no reference": (Command(0.5, 0.5, 0.5, extra=(0.0,), id_reference_A=None), "answered id_reference_A = None at update"),
    "no signals": (Command(0.5, 0.5, 0.5), "answered extra with 0 values at update 17; expected 1, one for each"),
    "signal none": (Command(0.5, 0.5, 0.5, extra=(None,)), "answered extra with None at update 17; expected numbers"),
    "extra none": (Command(0.5, 0.5, 0.5, extra=None), "answered extra with None at update 17; expected 1"),
}  # fmt: skip


@pytest.mark.parametrize("case", ANSWERS)
def test_a_wrong_answer_is_named_with_class_update_got_and_expected(case):
    value, words = ANSWERS[case]
    finding = one_finding(late(value))
    assert finding.startswith("Faulty.step ") and words in finding, finding


def test_a_gate_that_the_loop_cannot_set_is_told_by_the_loop():
    assert "Faulty gave gate_setting = 2 at tick" in one_finding(late(Command(0.5, 0.5, 0.5, True, 2, (0.0,))))


def test_a_reset_that_raises():
    def reset(self, setup):
        raise KeyError("gain")

    finding = one_finding(faulty(reset=reset))
    assert "Faulty.reset raised KeyError (test_conformance.py, line" in finding and "'gain'" in finding


# Faults that show only in the second run --------------------------------------------------------------------------------


def test_a_reset_that_forgets_names_the_attribute_and_its_values():
    def reset(self, setup):
        self.history = []

    finding = one_finding(faulty(reset=reset, total=0.0))
    assert "Faulty.step answered duty_a = " in finding and "at update 0 after a second reset; expected 0.5" in finding
    assert "Reset forgets: self.total is 10.0" in finding or "Reset forgets: self.total is 9.99" in finding
    assert "absent in a fresh instance" in finding


def test_a_reset_that_forgets_part_of_an_array():
    def reset(self, setup):
        if not hasattr(self, "sums"):
            self.sums = np.zeros(2)
        self.sums[0] = self.total = 0.0
        self.history = []

    def answer(self, measured):
        self.sums += 0.01
        return Command(duty(self.sums[1], measured), 0.5, 0.5, extra=(0.0,))

    finding = one_finding(faulty(reset=reset, answer=answer))
    assert "Reset forgets: self.sums is array([ 0., 10.])" in finding and "array([0., 0.]) in a fresh instance" in finding


def in_module(self, measured):
    BESIDE["total"] += 0.01
    return Command(duty(BESIDE["total"], measured), 0.5, 0.5, extra=(0.0,))


def in_class(self, measured):
    type(self).shared = getattr(type(self), "shared", 0.0) + 0.01
    return Command(duty(self.shared, measured), 0.5, 0.5, extra=(0.0,))


def in_default(self, measured, kept=[0.0]):  # noqa: B006
    kept[0] += 0.01
    return Command(duty(kept[0], measured), 0.5, 0.5, extra=(0.0,))


def in_function(self, measured):
    in_function.total = getattr(in_function, "total", 0.0) + 0.01
    return Command(duty(in_function.total, measured), 0.5, 0.5, extra=(0.0,))


def in_closure():
    kept = [0.0]

    def answer(self, measured):
        kept[0] += 0.01
        return Command(duty(kept[0], measured), 0.5, 0.5, extra=(0.0,))

    return answer


HIDDEN = {
    "module variable": (in_module, "test_conformance.BESIDE"),
    "class variable": (in_class, "Faulty.shared"),
    "default value": (in_default, "a default value of Faulty.answer"),
    "function attribute": (in_function, "an attribute of Faulty.answer"),
    "closure": (in_closure(), "kept, closed over by Faulty.answer"),
}


@pytest.mark.parametrize("case", HIDDEN)
def test_hidden_state_is_named(case):
    answer, name = HIDDEN[case]
    finding = one_finding(faulty(answer=answer))
    assert "at update 0 in a second, fresh instance fed the same samples; expected " in finding and "as in the first" in finding
    assert "Hidden global state: " in finding and name in finding and "changed while it ran" in finding, finding


def test_hidden_state_that_reset_sets_anew_shows_when_two_run_at_once():
    def reset(self, setup):
        BESIDE["total"] = self.total = 0.0
        self.history = []

    finding = one_finding(faulty(reset=reset, answer=in_module))
    assert "while another instance ran beside it; expected " in finding and "as alone" in finding
    assert "at update 500" in finding and "test_conformance.BESIDE changed" in finding


def by_luck(self, measured):
    return Command(0.5 + 0.1 * random.random(), 0.5, 0.5, extra=(0.0,))


def by_the_clock(self, measured):
    return Command(0.5 + 0.1 * (time.perf_counter() % 1.0), 0.5, 0.5, extra=(0.0,))


@pytest.mark.parametrize("answer", [by_luck, by_the_clock])
def test_what_depends_on_a_clock_or_on_luck_is_not_deterministic(answer):
    finding = one_finding(faulty(answer=answer))
    assert "at update 0" in finding and "Not deterministic" in finding and "without a seed" in finding


def test_a_generator_seeded_in_reset_is_deterministic():
    def reset(self, setup):
        self.total, self.history, self.random = 0.0, [], np.random.default_rng(3)

    def answer(self, measured):
        return Command(0.5 + 0.1 * self.random.random(), 0.5, 0.5, extra=(0.0,))

    assert check_controller(faulty(reset=reset, answer=answer)).name == "Faulty"


def test_a_stateful_iterator_of_the_module_is_named():
    def answer(self, measured):
        return Command(duty(0.01 * next(COUNT), measured), 0.5, 0.5, extra=(0.0,))

    assert "test_conformance.COUNT changed" in one_finding(faulty(answer=answer))


# Extremes, compiled steps, speed ----------------------------------------------------------------------------------------


def test_a_duty_that_leaves_its_range_only_at_an_extreme_is_found():
    def answer(self, measured):
        return Command(0.5 + 30.0 / measured.link_voltage_V, 0.5, 0.5, extra=(0.0,))

    finding = one_finding(faulty(answer=answer))
    assert "answered duty_a = 1." in finding and "The sample was an extreme one" in finding and "link_voltage_V = " in finding


def test_a_command_that_the_scenario_gives_takes_any_value_and_one_it_does_not_give_stays_away():
    seen = []

    def answer(self, measured):
        seen.append(measured)
        return Command(0.5, 0.5, 0.5, extra=(0.0,))

    check_controller(faulty(answer=answer), ROOT / "scenarios" / "torque_steps.toml", updates=20)
    torques = [measured.torque_reference_Nm for measured in seen]
    assert min(torques) < -300.0 and max(torques) > 300.0
    assert all(math.isnan(measured.iq_reference_A) for measured in seen)


def hold(measured, commands, parameters, state, tables, member):
    state[member, 0] += 0.01
    commands[member].duty_a = commands[member].duty_b = commands[member].duty_c = 0.5 + parameters[member, 0] * state[member, 0]
    return 0


def test_a_compiled_step_that_differs_from_the_python_one():
    class Twofold(Controller):
        slope = 0.01

        def reset(self, setup):
            self.total, self.rows = 0.0, (np.full((1, 1), self.slope), np.zeros((1, 1)), np.zeros(0))

        def step(self, measured):
            self.total += 0.01
            return Command(*[0.5 + 0.01 * self.total] * 3)

        def compiled_step(self):
            return CompiledStep(hold, *self.rows)

    assert check_controller(Twofold).name == "Twofold"
    Twofold.slope = 0.011
    finding = one_finding(Twofold)
    assert "Twofold.step answered duty_a = 0.50011 at update 0 in its compiled step; expected 0.5001, as from step" in finding


def test_a_compiled_controller_is_checked_like_any():
    class Held(CompiledController):
        state = ("total",)
        signals = ("total",)

        def prepare(self, setup, p, s):
            pass

        @staticmethod
        def update(p, s, m, c):
            s.total += 0.01
            c.duty_a = c.duty_b = c.duty_c = 0.5 + 0.3 * math.sin(s.total + 1e-2 * m.ia_A)
            c.extra[0] = s.total

    assert check_controller(Held).updates == 1000
    # What is made in prepare and never again is no state of the run, but a duty beyond range is a fault.
    update = Held.update

    class Beyond(Held):
        @staticmethod
        def update(p, s, m, c):
            s.total += 0.01
            c.duty_a = c.duty_b = c.duty_c = 0.5 + s.total
            c.extra[0] = s.total

    assert update is not Beyond.update
    assert "Beyond.step answered duty_a = 1.01 at update 50; expected 0..1" in one_finding(Beyond)


def test_too_slow_for_a_multiple_of_real_time_names_the_longest_update():
    def answer(self, measured):
        if self.total > 0.305 and self.total < 0.315:
            time.sleep(0.02)
        return Command(0.5, 0.5, 0.5, extra=(0.0,))

    kind = faulty(answer=answer)
    finding = one_finding(kind, updates=100, real_time=1000.0)
    assert finding.startswith("Faulty runs at 0.") and "times real time; expected 1000 or more" in finding
    assert "us at update 30" in finding and "an update lasts 50 us" in finding
    assert check_controller(kind, updates=100, real_time=1e-6).real_time_factor > 1e-6


def test_several_faults_are_told_together():
    def reset(self, setup):
        self.history = []

    def answer(self, measured):
        return Command(duty(self.total, measured) + (measured.link_voltage_V < 300.0), 0.5, 0.5, extra=(0.0,))

    found = findings_of(faulty(reset=reset, answer=answer, total=0.0))
    assert len(found) == 2 and "Reset forgets" in found[0] and "extreme" in found[1]


# How it is called -------------------------------------------------------------------------------------------------------


def test_a_scenario_gives_drive_tuning_and_controller(tmp_path):
    (tmp_path / "spin.py").write_text(
        "from controllers import Command, Controller\nclass Spin(Controller):\n    kept = []\n"
        "    def reset(self, setup):\n        self.duty = setup.tuning['duty']\n"
        "    def step(self, measured):\n        self.kept.append(1)\n"
        "        return Command(self.duty + 1e-4 * len(self.kept), 0.5, 0.5)\n"
    )
    base = (ROOT / "scenarios" / "torque_steps.toml").as_posix()
    (tmp_path / "drive.toml").write_text(f'base = "{base}"\n[controller]\nclass = "spin:Spin"\n')
    finding = one_finding(None, scenario=tmp_path / "drive.toml", updates=40, tuning={"duty": 0.25})
    assert "Spin.step answered duty_a = 0.2541 at update 0" in finding and "expected 0.2501" in finding
    assert "Spin.kept changed" in finding
    assert findings_of(tmp_path / "drive.toml", updates=40, tuning={"duty": 0.25})[0].startswith("Spin.step answered")


def test_a_tuning_that_is_refused_is_wrong_input():
    with pytest.raises(ScenarioError, match="current_bandwidth_Hz"):
        check_controller(FieldOrientedController, tuning={"current_bandwidth_Hz": -1.0})


@pytest.mark.parametrize("value", ["my_control:MyControl", 3, lambda: 3])
def test_what_is_no_controller(value):
    with pytest.raises(TypeError):
        check_controller(value)


def test_the_shipped_room_is_not_looked_into_for_hidden_state():
    from simcore.testing.hidden import variables_of

    assert variables_of(controllers.foc.FieldOrientedController) == {}
