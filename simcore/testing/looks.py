"""What the conformance checker looks for, one function each: (subject under test, ...) => a sentence, or None."""

from simcore.loop import Bench
from simcore.loop.errors import RunError
from simcore.testing.answers import fault_of, first_difference
from simcore.testing.hidden import attributes, changed, variables_of
from simcore.testing.tape import extreme_samples, longest_update, other_samples, raised, replay, replay_compiled

_TIMED_RUNS = 3


def _told(subject, difference, when, expected, cause):
    update, field, got, wanted = difference
    what = got if field == "answer" else f"{field} = {got}"
    return f"{subject.name}.step answered {what} at update {update} {when}; expected {wanted}, {expected}. {cause}"


def _outside_changes(subject, before):
    names = changed(before, variables_of(subject.kind))
    return f"Hidden global state: {', '.join(names[:4])} changed while it ran. " if names else ""


def depends_on_outside(subject, before):
    """A fresh instance, the same samples: other answers come from outside the instance."""
    tape = subject.tape
    difference = first_difference(replay(subject.fresh(), tape.samples), tape.answers)
    if difference is None:
        return None
    cause = _outside_changes(subject, before)
    if not cause and subject.library is not None and _alone(subject):
        cause = "Hidden global state: a copy of the library with static variables of its own answers as expected. "
    if cause:
        cause += "Keep what changes in the instance, and set it in reset."
    else:
        cause = (
            "Not deterministic: no variable of the class or its module changed, so that it draws on a clock, on random numbers "
            "without a seed, or on something outside. Seed such things in reset and step them in step."
        )
    return _told(subject, difference, "in a second, fresh instance fed the same samples", "as in the first", cause)


def _alone(subject):
    """Whether a fresh copy of a C library, with untouched static variables, answers as on the tape."""
    from controllers.c_library import library_class

    copy = subject.fresh(library_class(subject.library, alone=True))
    return first_difference(replay(copy, subject.tape.samples), subject.tape.answers) is None


def forgetful_reset(subject, before):
    """The used instance, reset: it must answer as at first."""
    used, fresh = subject.first, subject.fresh()
    used.reset(subject.setup())
    kept = attributes(used)
    new = attributes(fresh)
    difference = first_difference(replay(used, subject.tape.samples), subject.tape.answers)
    if difference is None:
        return None
    left = [
        f"self.{name} is {reads} after it and {new[name][1] if name in new else 'absent'} in a fresh instance"
        for name, (mark, reads) in kept.items()
        if name not in new or new[name][0] != mark
    ]
    cause = f"Reset forgets: {'; '.join(left[:3])}. " if left else "Reset forgets something. "
    return _told(subject, difference, "after a second reset", "as after the first", f"{cause}Set everything in reset.")


def shared_state(subject, before):
    """Two instances in turns, the second reset when the first is half through: they must not notice each other."""
    samples, half = subject.tape.samples, len(subject.tape.samples) // 2
    one = subject.fresh()
    answers = replay(one, samples[:half])
    other = subject.fresh()
    for sample, disturbing in zip(samples[half:], other_samples(samples)[half:], strict=True):
        replay(other, [disturbing])
        answers += replay(one, [sample])
    difference = first_difference(answers, subject.tape.answers)
    if difference is None:
        return None
    cause = _outside_changes(subject, before) or "Hidden global state that reset sets anew. "
    cause += "Keep what changes in the instance."
    return _told(subject, difference, "while another instance ran beside it", "as alone", cause)


def compiled_differs(subject, before):
    """The compiled step must give the bits of the Python one."""
    if not hasattr(subject.kind, "compiled_step"):
        return None
    from simcore.loop.compiled_check import ready_step

    controller = subject.fresh()
    given = controller.compiled_step()
    if given is None:
        return None
    answers = replay_compiled(controller, ready_step(controller, given), subject.tape.samples)
    difference = first_difference(answers, subject.tape.answers)
    if difference is None:
        return None
    return _told(subject, difference, "in its compiled step", "as from step", "Write both alike, operation by operation.")


def extremes(subject):
    """Samples from all of what a drive may meet: every answer must still be a Command in range."""
    controller, signals, setup = subject.fresh(), len(subject.first.signals), subject.setup()
    for update, sample in enumerate(extreme_samples(subject.scenario.machine, subject.tape.samples, setup.update_s)):
        try:
            fault = fault_of(subject.name, update, controller.step(sample), signals)
        except Exception as error:
            fault = raised(subject.name, update, error)
        if fault:
            seen = ", ".join(f"{name} = {value:.4g}" for name, value in sample._asdict().items() if value == value)
            return f"{fault} The sample was an extreme one: {seen}."
    return None


def too_slow(subject, real_time):
    factor = 0.0
    for _ in range(_TIMED_RUNS):
        bench = Bench(subject.scenario, subject.fresh())
        try:
            factor = max(factor, bench.run().timing["real_time_factor"])
        except RunError as error:
            if error.recording is None:
                raise
            factor = max(factor, error.recording.timing["real_time_factor"])
    subject.factor = factor
    if factor >= real_time:
        return None
    mean_s, longest_s, update = longest_update(subject.fresh(), subject.tape.samples)
    mean, longest, lasts = (f"{1e6 * seconds:.3g} us" for seconds in (mean_s, longest_s, subject.setup().update_s))
    return (
        f"{subject.name} runs at {factor:.3g} times real time; expected {real_time:g} or more. A step takes {mean} on average "
        f"and {longest} at update {update}; an update lasts {lasts}."
    )
