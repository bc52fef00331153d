"""What a controller sees and answers, update by update: taped in the loop, then played to other instances."""

import time
from typing import NamedTuple

import numpy as np

from controllers.contract import MEASURED, Controller, Measured, blank_command, told_command
from simcore.loop import Bench
from simcore.testing.answers import fault_of

EXTREME_SAMPLES = 200


class Tape(NamedTuple):
    """Samples, the answers to them, and the sentence of the fault that ended it, or None."""

    samples: list
    answers: list
    fault: str | None


class _Enough(Exception):
    """The first fault ends the run."""


class _Watching(Controller):
    """Wraps a controller; keeps what goes in and out."""

    def __init__(self, inner):
        self.inner, self.signals, self.name = inner, inner.signals, type(inner).__name__
        self.samples, self.answers, self.fault = [], [], None

    def reset(self, setup):
        self.inner.reset(setup)

    def step(self, measured):
        update = len(self.samples)
        self.samples.append(measured)
        try:
            answer = self.inner.step(measured)
        except Exception as error:
            self.fault = raised(self.name, update, error)
            raise _Enough from error
        self.fault = fault_of(self.name, update, answer, len(self.signals))
        if self.fault:
            raise _Enough
        self.answers.append(answer)
        return answer


def raised(name, update, error):
    """Sentence of a step that raised."""
    words = str(error) or "without a message"
    return f"{name}.step raised {type(error).__name__} at update {update} ({words}); expected a Command. Mend it."


def tape_in_loop(scenario, controller):
    """(scenario, fresh controller) => Tape of the closed loop; a solution that diverges only ends it."""
    from simcore.loop.python_shell import run_python
    from simcore.loop.records import DIVERGED, MAP_LEFT, OK

    # Messages name the class.
    watching = type(type(controller).__name__, (_Watching,), {})(controller)
    bench = Bench(scenario, watching)
    member, _ = bench.member(in_python=True)
    _, problem = run_python(member)
    fault = watching.fault
    if fault is None and member.states["status"][0] not in (OK, DIVERGED, MAP_LEFT):
        from simcore.loop.errors import status_sentence

        fault = problem or status_sentence(scenario, controller, member.states[0])
    return Tape(watching.samples[: len(watching.answers)], watching.answers, fault)


def replay(controller, samples):
    """(controller after its reset, samples) => its answers; where a step raises, the exception, and no further ones."""
    answers = []
    for sample in samples:
        try:
            answers.append(controller.step(sample))
        except Exception as error:
            return [*answers, *[error] * (len(samples) - len(answers))]
    return answers


def replay_compiled(controller, step, samples):
    """The same through its compiled step."""
    measured, command = np.zeros(1, MEASURED), blank_command()
    answers, signals = [], len(controller.signals)
    for sample in samples:
        measured[0] = sample
        try:
            code = step.function(measured, command, step.parameters, step.state, step.tables, 0)
        except Exception as error:
            return [*answers, *[error] * (len(samples) - len(answers))]
        if code:
            error = RuntimeError(f"it ended the run with its own code {code}")
            return [*answers, *[error] * (len(samples) - len(answers))]
        answers.append(told_command(command[0], signals))
    return answers


def other_samples(samples):
    """What another drive might report: the same, currents and speed reversed and out of step."""
    names = ("ia_A", "ib_A", "ic_A", "speed_rpm")
    shifted = samples[len(samples) // 3 :] + samples[: len(samples) // 3]
    return [sample._replace(**{name: -getattr(sample, name) for name in names}) for sample in shifted]


def extreme_samples(machine, taped, update_s):
    """(machine, samples of the loop, update period [s]) => samples from all of what the drive may meet.

    Twice the current, both directions beyond the greatest speed, a link that sags to a tenth, any value of the commands that
    the scenario gives.
    """
    random = np.random.default_rng(1)
    current, speed = 2.0 * machine.max_current_A, 1.2 * machine.max_speed_rpm
    link = max(sample.link_voltage_V for sample in taped)
    reach = {"speed_reference_rpm": speed, "vd_reference_V": link, "vq_reference_V": link, "voltage_reference_V": link}
    samples = []
    for update in range(EXTREME_SAMPLES):
        ia_A, ib_A = random.uniform(-current, current, 2)
        seen = {
            "time_s": update * update_s, "ia_A": ia_A, "ib_A": ib_A, "ic_A": -ia_A - ib_A,
            "angle_electrical_rad": random.uniform(-np.pi, np.pi), "speed_rpm": random.uniform(-speed, speed),
            "link_voltage_V": link * random.uniform(0.1, 1.2), "winding_degC": random.uniform(-40.0, 180.0),
            "junction_degC": random.uniform(-40.0, 175.0), "run_request": float(random.random() < 0.9),
            "legs_released": float(random.random() < 0.9),
        }  # fmt: skip
        for name in Measured._fields:
            if name not in seen:
                given = getattr(taped[0], name) == getattr(taped[0], name)
                seen[name] = random.uniform(-1.0, 1.0) * reach.get(name, current) if given else np.nan
        samples.append(Measured(**{name: float(value) for name, value in seen.items()}))
    return samples


def longest_update(controller, samples):
    """(controller after its reset, samples) => (mean, longest [s], its number)."""
    times = []
    for sample in samples:
        begun = time.perf_counter()
        controller.step(sample)
        times.append(time.perf_counter() - begun)
    return sum(times) / len(times), max(times), times.index(max(times))


