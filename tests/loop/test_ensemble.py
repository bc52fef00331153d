"""Members of an ensemble give, bit for bit, what their scenarios give alone; few are held at once; they can be stopped."""

import shutil
import subprocess
import threading
import weakref
from pathlib import Path

import numpy as np
import pytest

import simcore
from controllers import Command, Controller
from simcore import Bench, RunError, iterate_ensemble, load_scenario, run_ensemble
from simcore.scenario.maps import _read_once

NOISE = {"current": {"noise_rms_A": 0.5}, "position": {"kind": "resolver", "noise_rms": 1e-3}}
TORQUE = {"replace": True, "torque_Nm": [[0.0, 0.0], [0.01, 80.0]]}
UNLIKE = {
    "another seed": {"run": {"seed": 7}},
    "another machine": {"machine": {"inductance_q_H": 0.5e-3, "magnet_flux_Wb": 0.08}},
    "another tuning": {"controller": {"tuning": {"current_bandwidth_Hz": 900}}},
    "another length": {"run": {"duration_s": 0.13, "record_every": 7}},
    "other commands": {"commands": {"torque_Nm": [[0.0, 20.0], [0.02, -50.0], [0.03, 60.0]]}},
    "switched": {"inverter": {"model": "switched", "dead_time_s": 1e-6}},
    "scope": {"scope": [{"from_s": 0.01, "to_s": 0.011, "step_s": 1e-6}]},
    "free shaft": {"load": {"replace": True, "kind": "free", "inertia_kg_m2": 0.05}},
    "the first once more": {"run": {"seed": 7}},
}


@pytest.fixture
def unlike(make_scenario):
    """Scenarios that differ in every way, all of them noisy."""
    noisy = {"sensors": NOISE, "controller": {"mode": "torque"}, "commands": TORQUE}
    return [make_scenario(**{**noisy, **_merged(noisy, change)}) for change in UNLIKE.values()]


def _merged(noisy, change):
    return {k: {**noisy[k], **v} if isinstance(noisy.get(k), dict) else v for k, v in change.items()}


def all_of(recording):
    """Everything a recording holds, as one mapping of names to arrays or plain values."""
    told = {name: recording[name] for name in recording}
    for scope in recording.scopes:
        told |= {f"scope {name}": values for name, values in scope.items()}
    return told | {"audit": recording.audit, "closing": recording.closing, "findings": recording.findings}


def differing(one, other):
    """Names of what differs by so much as a bit."""
    shared = one.keys() & other.keys()
    return sorted(one.keys() ^ other.keys()) + [
        k
        for k in shared
        if not (np.array_equal(one[k], other[k], equal_nan=True) if isinstance(one[k], np.ndarray) else one[k] == other[k])
    ]


@pytest.mark.parametrize("workers", [1, 3])
def test_every_member_equals_its_scenario_alone_to_the_last_bit(unlike, workers):
    alone = [all_of(Bench(scenario).run()) for scenario in unlike]
    found = run_ensemble(unlike, all_of, workers=workers)
    assert [result.index for result in found] == list(range(len(unlike)))
    assert all(result.error is None for result in found)
    for name, result, expected in zip(UNLIKE, found, alone, strict=True):
        assert differing(result.value, expected) == [], name
    assert differing(found[0].value, found[-1].value) == []
    # The check would notice a single tick, a single seed.
    assert differing(found[0].value, found[1].value)


def test_a_map_shared_by_all_members_gives_what_each_gives_alone():
    file = Path(simcore.__file__).parent.parent / "scenarios" / "torque_steps.toml"
    members = [load_scenario(file, [f"run.seed={seed}", "run.duration_s=0.14"]) for seed in (1, 2, 3)]
    assert members[0].machine.map_data is members[2].machine.map_data
    found = run_ensemble(members, all_of, workers=2)
    _read_once.cache_clear()
    fresh = load_scenario(file, ["run.seed=2", "run.duration_s=0.14"])
    assert fresh.machine.map_data is not members[0].machine.map_data
    assert differing(found[1].value, all_of(Bench(fresh).run())) == []


def test_by_default_a_member_gives_the_verdicts_of_its_expectations(make_scenario):
    wanted = {"signal": "iq_A", "measure": "mean", "from_s": 0.02}
    members = [make_scenario(commands={"iq_A": 2.0}, expect=[{**wanted, "max": limit}]) for limit in (1.0, 3.0)]
    verdicts = [result.value[0] for result in run_ensemble(members)]
    assert [verdict["passed"] for verdict in verdicts] == [False, True]
    assert all(verdict["value"] == pytest.approx(2.0, abs=0.01) for verdict in verdicts)


def test_members_are_asked_for_one_by_one_and_few_recordings_live_at_once(make_scenario):
    scenario = make_scenario()
    alive, most, ahead, given = weakref.WeakSet(), [], [], [0]

    def members():
        for given[0] in range(1, 31):
            yield scenario

    def take(recording):
        alive.add(recording)
        most.append(len(alive))

    for through, _ in enumerate(iterate_ensemble(members(), take, workers=2)):
        ahead.append(given[0] - through)
    assert len(most) == 30 and max(most) <= 6
    assert max(ahead) <= 4  # two that run and two that wait


# Half of 100 kV across a standing machine: its flux linkage passes a thousand times what belongs to it.
DIVERGING = {
    "supply": {"voltage_V": 1e5},
    "load": {"replace": True, "kind": "locked"},
    "controller": {"mode": "voltage"},
    "commands": {"replace": True, "vd_V": 5e4},
}


def test_a_member_that_diverges_or_has_a_wrong_tuning_tells_why_and_the_others_go_on(make_scenario):
    good = make_scenario()
    wrong = make_scenario(controller={"tuning": {"current_bandwidth": 500}})
    away = make_scenario(**DIVERGING)
    with pytest.raises(RunError) as alone:
        Bench(away).run()
    found = run_ensemble([good, wrong, away, good], len)
    assert [result.error is None for result in found] == [True, False, False, True]
    assert "current_bandwidth" in found[1].error and found[1].value is None
    assert found[2].error == str(alone.value) and found[2].value == len(alone.value.recording)
    assert found[0].value == found[3].value == len(Bench(good).run())


class Fixed(Controller):
    """Fixed duties, in Python."""

    made = 0

    def __init__(self):
        type(self).made += 1

    def reset(self, setup):
        self.updates = 0

    def step(self, measured):
        self.updates += 1
        if measured.speed_rpm > 1500.0 and self.updates > 100:
            raise ValueError("too fast")
        return Command(0.52, 0.49, 0.49)


def test_controllers_in_python_run_too_each_member_with_its_own(make_scenario):
    members = [make_scenario(load={"speed_rpm": speed}) for speed in (500.0, 2000.0, 800.0)]
    Fixed.made = 0
    seen = []
    found = run_ensemble(
        members, all_of, controller=lambda scenario: Fixed(), progress=lambda done, of: seen.append((done, of))
    )
    assert Fixed.made == 3
    assert "too fast" in found[1].error and found[0].error is found[2].error is None
    assert differing(found[2].value, all_of(Bench(members[2], Fixed()).run())) == []
    assert seen == sorted(seen) and seen[-1] == (3.0, 3)


@pytest.mark.parametrize("language", ["compiled", "c"])
def test_own_controllers_that_are_compiled_keep_a_state_of_their_own(make_scenario, tmp_path, language):
    from simcore.scenario.reader import scenario_from
    from simcore.scenario.starter import write_starter

    written = write_starter("controller", "mine", tmp_path, language)
    named = "mine:Mine"
    if language == "c":
        if shutil.which("gcc") is None:
            pytest.skip("no gcc here: controllers in C are left out")
        named = "mine.so"
        options = ["-O2", "-std=c99", "-ffp-contract=off", "-fPIC", "-shared"]
        subprocess.run(["gcc", *options, "-o", tmp_path / named, written, "-lm"], check=True)
    document = make_scenario(sensors=NOISE, commands={"iq_A": [[0.0, 0.0], [0.01, 20.0]]}).resolved
    members = [
        scenario_from(document | {"controller": {"class": named, "tuning": {"kp_V_per_A": kp}}}, tmp_path / "own.toml")
        for kp in (0.05, 0.2, 0.1, 0.05)
    ]
    found = run_ensemble(members, all_of, workers=3)
    for member, result in zip(members, found, strict=True):
        assert result.error is None and differing(result.value, all_of(Bench(member).run())) == []
    assert differing(found[0].value, found[3].value) == [] != differing(found[0].value, found[1].value)


def test_progress_counts_members_and_parts_of_them(make_scenario):
    members = [make_scenario(run={"duration_s": 15.0, "record_every": 1000})] * 3
    seen, halfway = [], threading.Event()

    def tell(done):
        seen.append(done)
        if done % 1.0:
            halfway.set()

    def drive(member, step, check):
        def wait_for_a_look():
            check()
            halfway.wait(30.0)

        member.run_compiled(step, wait_for_a_look)

    assert len(list(iterate_ensemble(members, len, workers=2, progress=tell, drive=drive))) == 3
    assert seen == sorted(seen) and seen[-1] == 3.0 and halfway.is_set()


def stepping():
    return [thread for thread in threading.enumerate() if thread.name.startswith("member")]


def test_leaving_early_stops_what_runs(make_scenario):
    members = [make_scenario(run={"duration_s": seconds, "record_every": 1000}) for seconds in (0.01, 600.0, 600.0, 600.0)]
    ended = []
    found = iterate_ensemble(members, ended.append, workers=2)
    assert next(found).index == 0
    assert stepping()
    found.close()
    # The long ones were given up, not waited for.
    assert not stepping() and len(ended) == 1


def test_ctrl_c_stops_what_runs(make_scenario):
    def pressed(done, of):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_ensemble([make_scenario(run={"duration_s": 600.0, "record_every": 1000})] * 3, len, workers=2, progress=pressed)
    assert not stepping()


def test_what_fails_in_take_is_raised_and_nothing_runs_on(make_scenario):
    def take(recording):
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        run_ensemble([make_scenario()] * 5, take, workers=2)
    assert not stepping()
