"""Sweeps: every point equals its scenario alone; best and worst; kept results; executors of every kind."""

import concurrent.futures
import math

import pytest

from simcore import Bench, ScenarioError
from simcore.measure import judge
from simcore.scenario.reader import scenario_from
from simcore.study.points.executors import ExecutorFailed, chosen_executor
from simcore.study.points.margins import best_and_worst, margin, scores
from simcore.study.points.point import Point, as_row, from_row, point_of
from simcore.study.sweep.grid import run_sweep

SETTLES = {"signal": "iq_A", "measure": "settling_time_s", "step_at_s": 0.01, "max": 0.004}
OVERSHOOTS = {"signal": "iq_A", "measure": "overshoot_percent", "step_at_s": 0.01, "max": 5.0}
BANDWIDTH = "controller.tuning.current_bandwidth_Hz"


@pytest.fixture
def step(make_scenario):
    return make_scenario(
        commands={"iq_A": [[0.0, 0.0], [0.01, 50.0]]},
        sensors={"current": {"noise_rms_A": 0.1}},
        expect=[SETTLES, OVERSHOOTS],
    )


def test_every_point_equals_the_scenario_with_these_keys_overridden(step):
    sweep = run_sweep(step, {BANDWIDTH: [300, 600], "machine.stator_resistance_ohm": [0.01, 0.02, 0.03]})
    assert [point.values for point in sweep.points] == [(b, r) for b in (300, 600) for r in (0.01, 0.02, 0.03)]
    for point in sweep.points:
        overrides = [f"{axis.key}={value}" for axis, value in zip(sweep.axes, point.values, strict=True)]
        alone = scenario_from(step.resolved, "test.toml", overrides)
        verdicts = judge(Bench(alone).run(), alone.expect)
        assert point.measured == tuple(verdict["value"] for verdict in verdicts)
        assert point.passed == tuple(verdict["passed"] for verdict in verdicts)
        # A changed machine is told to the controller, as --set does.
        assert sweep.scenario_at(point).controller_machine.stator_resistance_ohm == point.values[1]


def test_words_and_switches_can_vary_too(step):
    sweep = run_sweep(step, {"inverter.modulation": ["sine", "svpwm"], "controller.tuning.decoupling": [True, False]})
    assert len(sweep.points) == 4 and all(point.error is None for point in sweep.points)


def test_values_that_are_wrong_are_refused_before_anything_runs(step):
    cases = {
        "machine.stator_resistence_ohm": ([0.01], 'Did you mean "stator_resistance_ohm"?'),
        "machine.stator_resistance_ohm": ([0.01, -0.01, -0.02], "must be at least 0 (ohm)"),
        "controller.tuning.curent_bandwidth_Hz": ([300], 'Did you mean "current_bandwidth_Hz"?'),
        BANDWIDTH: ([300, -1], "must be a number from 0"),
        "run.substeps": ([2, 2.5], "must be a whole number"),
        "sensors.current.gain.7": ([1.0], "the list has 3 entries"),
        "run.duration_s": ([0.05, 0.001], "lies outside the run"),
    }
    for key, (values, words) in cases.items():
        with pytest.raises(ScenarioError) as refused:
            run_sweep(step, {key: values})
        assert words in str(refused.value) and "--vary" in str(refused.value), str(refused.value)
        assert len(refused.value.problems) <= 2, refused.value.problems
    with pytest.raises(ScenarioError, match="nothing varies"):
        run_sweep(step, {})


def test_a_scenario_without_expectations_cannot_be_swept(make_scenario):
    with pytest.raises(ScenarioError, match="expect: is missing"):
        run_sweep(make_scenario(), {BANDWIDTH: [300]})


def test_values_that_only_contradict_each_other_are_told_at_their_point(step):
    sweep = run_sweep(step, {"inverter.dead_time_s": [1e-6, 30e-6], "inverter.switching_frequency_Hz": [10000, 20000]})
    wrong = sweep.points[3]
    assert wrong.refused and "half the carrier period" in wrong.error and not wrong.met
    assert all(math.isnan(value) for value in wrong.measured)
    assert not any(point.refused for point in sweep.points[:3])
    assert sweep.worst is not wrong


# Best and worst.


def test_margins_by_hand():
    assert margin(3.0, {"max": 4.0}) == 1.0 and margin(3.0, {"min": 4.0}) == -1.0
    assert margin(3.0, {"min": 0.0, "max": 4.0}) == 1.0
    assert margin(3.0, {"equal": 2.5, "tolerance": 0.2}) == pytest.approx(-0.3)
    assert margin(math.nan, {"max": 4.0}) == -math.inf


def point(index, *measured, error=None, refused=False):
    return Point(index, (index,), measured, (True,) * len(measured), error, refused)


def test_the_worst_point_is_farthest_beyond_a_limit_counted_in_the_spread_of_its_measure():
    limits = [{"max": 10.0}, {"max": 10.0}]
    # Spreads: 1 A (values 8 and 10), 4 Nm (6 and 14).
    points = [point(0, 8.0, 6.0), point(1, 10.0, 14.0), point(2, 8.0, 14.0), point(3, 10.0, 6.0)]
    assert scores(points, limits) == pytest.approx([1.0, -1.0, -1.0, 0.0])
    assert [one.index for one in best_and_worst(points, limits)] == [0, 1]


def test_a_run_that_broke_off_is_worse_than_any_and_a_refused_one_counts_nowhere():
    wrong = point(3, math.nan, error="wrong", refused=True)
    points = [point(0, 1e9), point(1, 0.0), point(2, math.nan, error="diverged"), wrong]
    best, worst = best_and_worst(points, [{"max": 1.0}])
    assert (best.index, worst.index) == (1, 2)
    assert best_and_worst(points[3:], [{"max": 1.0}]) == (None, None)


def test_a_measure_that_never_moves_does_not_decide_by_division_by_zero():
    points = [point(0, 5.0, 1.0), point(1, 5.0, 2.0)]
    assert scores(points, [{"max": 6.0}, {"max": 3.0}]) == pytest.approx([1.0, 1.0])


def test_a_run_that_broke_off_meets_nothing_even_where_its_part_would():
    whole = point_of(0, [1], 1, ((2.0,), (True,), ("",)))
    assert whole.met and whole.passed == (True,)
    cut = point_of(0, [1], 1, ((2.0,), (True,), ("",)), error="diverged")
    assert not cut.met and cut.passed == (False,) and cut.measured == (2.0,)


# Results so far.


def test_points_go_to_the_file_and_come_back(tmp_path):
    there = Point(3, (1, 2.5, "x", True), (math.nan, 0.1 + 0.2), (False, True), None, False, ("no value", ""))
    assert str(from_row(as_row(there))) == str(there)


def test_a_sweep_that_was_stopped_goes_on_where_it_was(step, tmp_path, monkeypatch):
    kept = tmp_path / "deep" / "sweep.partial"
    vary = {BANDWIDTH: [300, 400, 500, 600, 700, 800]}
    whole = run_sweep(step, vary)

    def stop(done, total):
        if done >= 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_sweep(step, vary, kept=kept, workers=1, progress=stop)
    lines = kept.read_text().splitlines()
    assert 2 <= len(lines) <= 7
    # A line that was cut off is done again.
    kept.write_text("\n".join([*lines, '[5, [800], [0.0'])[:-3])
    ran = []
    monkeypatch.setattr(Bench, "member", counted(Bench.member, ran))
    again = run_sweep(step, vary, kept=kept)
    assert again.points == whole.points
    # Once an axis' value to hear the controller, once for each point that was not kept.
    assert len(ran) == 6 + 6 - (len(lines) - 1)
    assert run_sweep(step, vary, kept=kept).points == whole.points and len(ran) == 12 + 6 - (len(lines) - 1)


def counted(method, calls):
    def count(self, **options):
        calls.append(self)
        return method(self, **options)

    return count


def test_kept_points_of_another_study_are_not_used(step, make_scenario, tmp_path):
    kept = tmp_path / "sweep.partial"
    run_sweep(step, {BANDWIDTH: [300, 400]}, kept=kept)
    before = kept.read_text().splitlines()
    for vary, scenario in (({BANDWIDTH: [300, 500]}, step), ({BANDWIDTH: [300, 400]}, changed(step))):
        sweep = run_sweep(scenario, vary, kept=kept)
        after = kept.read_text().splitlines()
        assert after[0] != before[0] and len(after) == 3
        assert sweep.points == run_sweep(scenario, vary).points


def changed(scenario):
    return scenario_from(scenario.resolved, scenario.path, ["run.seed=5"])


def test_an_edited_controller_module_makes_it_another_study(make_scenario, tmp_path):
    module = tmp_path / "own.py"
    text = (
        "from controllers import Command, Controller\n\n\nclass Own(Controller):\n    def reset(self, setup):\n        pass\n\n"
        "    def step(self, measured):\n        return Command(DUTY, 0.5, 0.5)\n"
    )
    scenario_document = make_scenario(expect=[{"signal": "ia_A", "measure": "mean", "max": 1e9}]).resolved
    values = []
    for duty in ("0.51", "0.52"):
        module.write_text(text.replace("DUTY", duty))
        document = {**scenario_document, "controller": {"class": f"{module}:Own"}}
        sweep = run_sweep(scenario_from(document, tmp_path / "own.toml"), {"run.seed": [1, 2]}, kept=tmp_path / "kept")
        values.append(sweep.points[0].measured)
    assert values[0] != values[1]


# Executors.


class Inline(concurrent.futures.Executor):
    """Runs at once, here; dies after some blocks."""

    def __init__(self, dies_after=math.inf):
        self.done, self.dies_after = 0, dies_after

    def submit(self, function, *arguments):
        future = concurrent.futures.Future()
        if self.done >= self.dies_after:
            future.set_exception(concurrent.futures.BrokenExecutor("the workers are gone"))
        else:
            self.done += 1
            future.set_result(function(*arguments))
        return future


def test_any_executor_of_concurrent_futures_gives_the_same_points(step):
    vary = {BANDWIDTH: [300, 400, 500]}
    here = run_sweep(step, vary)
    assert run_sweep(step, vary, executor=Inline()).points == here.points
    with concurrent.futures.ThreadPoolExecutor(2) as pool:
        assert run_sweep(step, vary, executor=pool, workers=2).points == here.points


def test_an_executor_that_dies_half_way_keeps_what_was_done(step, tmp_path):
    vary, kept = {BANDWIDTH: [300, 400, 500, 600]}, tmp_path / "sweep.partial"
    with pytest.raises(ExecutorFailed, match="the workers are gone") as died:
        run_sweep(step, vary, executor=Inline(dies_after=2), workers=1, kept=kept)
    assert (died.value.done, died.value.total) == (2, 4)
    second = Inline()
    assert run_sweep(step, vary, executor=second, workers=1, kept=kept).points == run_sweep(step, vary).points
    assert second.done == 2


def test_a_worker_of_another_version_is_refused(step, monkeypatch):
    from simcore.study.points import job

    class Elsewhere(Inline):
        def submit(self, function, *arguments):
            monkeypatch.setattr(job, "sources_key", lambda: "other")
            future = concurrent.futures.Future()
            try:
                future.set_result(function(*arguments))
            except Exception as error:
                future.set_exception(error)
            return future

    with pytest.raises(ExecutorFailed, match="another version of drybench"):
        run_sweep(step, {BANDWIDTH: [300, 400]}, executor=Elsewhere())


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("dusk://host:1", 'Did you mean "dask"?'),
        ("localhost:8786", "Write --executor dask://HOST:PORT"),
        ("dask://host", "has no host or no port"),
        ("dask://host:port", "has no host or no port"),
    ],
)
def test_addresses_that_are_none(step, address, words):
    with pytest.raises(ScenarioError) as refused, chosen_executor(address, step):
        pass
    assert words in str(refused.value) and address in str(refused.value)


def test_compiled_controllers_run_in_threads_of_this_process(step):
    with chosen_executor(None, step) as (executor, workers):
        assert executor is None and workers >= 1
