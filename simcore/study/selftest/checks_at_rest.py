"""Checks at standstill, one function each: answers at several rotor angles => Finding."""

import math

import numpy as np

from simcore.study.selftest import causes
from simcore.study.selftest.findings import Check
from simcore.study.selftest.patterns import fit_axes, fit_pair

NOT_SETTLED = "needs a loop that settles"
NOT_STANDING = "needs a vector that follows the rotor"
ANGLE_FIRST = "needs an angle zero that is about right"
NO_TORQUE = "this machine makes no torque"
FAR_OFF_DEG = 45.0
NOTHING = 0.01  # of the torque that the current could give


def vector_of(probing, settled):
    """Settled answers => complex vectors: currents, or voltages where voltages are asked for."""
    return np.array([one.voltage if probing.mode == "voltage" else one.current for one in settled])


class AtRest:
    """The answers at standstill: `pattern` of the vector in the rotor's frame, `settled` whether there is one everywhere."""

    def __init__(self, probing):
        self.on_axes = probing.question.on_axes
        # On d a negative current: a flux map may end at id = 0.
        first, second = (-1.0, 1j) if self.on_axes else (1j, -1j)
        to_first, to_second = probing.at_rest(first), probing.at_rest(second)
        self.all = [*to_first, *to_second]
        self.plus = to_second if self.on_axes else to_first
        one, two = vector_of(probing, to_first), vector_of(probing, to_second)
        pole_pairs = probing.machine.pole_pairs
        if self.on_axes:
            self.pattern = fit_axes(probing.angles_rad, -one, two, pole_pairs)
        else:
            self.pattern = fit_pair(probing.angles_rad, one, two, pole_pairs)
        self.answered = bool(np.min(np.abs([*one, *two])) > 1e-6 * probing.size_A)
        self.still = all(one.still for one in self.all)
        self.settled = self.still and self.answered
        self.follows = self.settled and self.pattern.regular and self.pattern.turns == 0.0

    @property
    def missing(self):
        """What a check that needs a vector in the rotor's frame has to wait for; "" for nothing."""
        return "" if self.follows else NOT_STANDING if self.settled else NOT_SETTLED

    @property
    def far_off(self):
        """True where the vector stands so wrong that nothing more can be said of it."""
        return self.pattern.mirrored or abs(self.pattern.angle_deg) > FAR_OFF_DEG


def settles(probing, rest):
    """Does the loop settle, at every rotor angle?"""
    noun = "voltage" if probing.mode == "voltage" else "current"
    check = Check(f"{noun} settles", "at every rotor angle, shaft locked")
    count, still = len(rest.all), sum(one.still for one in rest.all)
    if rest.settled:
        return check.right(f"in {still} of {count} runs")
    if rest.still:
        hint = "the voltages do not change with the commands: look at the mode, and at the command that it reads."
        return check.wrong("no answer to what is asked", "no_answer", hint)
    broken = next((one.sentence for one in rest.all if "duty" in one.sentence), "")
    if broken:
        return check.wrong(f"ended early in {count - still} of {count} runs", "duties", broken)
    away = sum(one.ran_away for one in rest.all)
    found = f"runs away in {away} of {count} runs" if away else f"swings in {count - still} of {count} runs"
    return check.wrong(found, *_why_not_settled(probing))


def _why_not_settled(probing):
    """=> cause, hint; from the first voltages that answer a current and a question."""
    pole_pairs, angles = probing.machine.pole_pairs, probing.angles_rad
    feedback = fit_axes(angles, *probing.feedback(), pole_pairs)
    if feedback.gain < 1e-9 * probing.link_V:
        return "no_feedback", causes.NO_FEEDBACK
    if probing.question.on_axes:
        to_d, to_q = probing.first_at_rest((-1.0, 1j))
        forward = fit_axes(angles, -to_d, to_q, pole_pairs)
    else:
        forward = fit_pair(angles, *probing.first_at_rest((1j, -1j)), pole_pairs)
    return causes.loop_cause(feedback, forward, probing.machine.least_inductance_H() / probing.benches.update_s)


def follows(probing, rest):
    """Does the vector stand still in the rotor's frame, wherever the rotor stands?"""
    check = Check("vector follows the rotor", "turns with it, a-b-c")
    if not rest.settled:
        return check.not_judged(NOT_SETTLED)
    pattern = rest.pattern
    if rest.follows:
        return check.right("turns with it", pattern.turns)
    known = {-1.0: "stands in the stator", -2.0: "turns against it"}
    found = known.get(pattern.turns, f"{pattern.turns + 1.0:g} turns a turn") if pattern.regular else "by no rule"
    return check.wrong(found, *causes.turning_cause(pattern, rest.on_axes), pattern.turns)


def angle_zero(probing, rest):
    """Does the vector stand where it should in the rotor's frame?"""
    check = Check("angle zero", f"0 deg +- {causes.ANGLE_TOLERANCE_DEG:g}")
    if rest.missing:
        return check.not_judged(rest.missing)
    pattern = rest.pattern
    varies = f", +- {pattern.spread_deg:.2g} with the rotor's angle" if pattern.spread_deg > 0.05 else ""
    found = "mirrored" if pattern.mirrored else f"{causes.signed(pattern.angle_deg)} deg{varies}"
    cause, hint = causes.standing_cause(pattern, rest.on_axes)
    return check.wrong(found, cause, hint, pattern.angle_deg) if cause else check.right(found, pattern.angle_deg)


def amplitude(probing, rest):
    """Is the vector as long as asked?"""
    if probing.mode == "speed":
        return _greatest_current(probing, rest)
    check = Check("amplitude", "1, true over asked")
    if not rest.settled or not (rest.on_axes or rest.follows):
        return check.not_judged(rest.missing)
    if rest.on_axes:
        asked, unit = probing.question.full, probing.question.unit
        gain = rest.pattern.gain / asked
    else:
        gain, unit = _torque_gain(probing, rest), "A"
        asked = rest.pattern.gain / gain
    return _scaled(check, gain, f"{gain:.3f} ({rest.pattern.gain:.4g} {unit} for {asked:.4g})")


def _scaled(check, gain, found):
    if abs(gain - 1.0) <= causes.GAIN_TOLERANCE:
        return check.right(found, gain)
    return check.wrong(found, *causes.scale_cause(gain), gain)


def _torque_gain(probing, rest):
    """The factor by which the current is longer than the one of its direction that gives the torque asked for."""
    turned = vector_of(probing, rest.plus) * np.exp(-1j * math.radians(rest.pattern.angle_deg))
    current = complex(np.mean(turned))
    low, high = 0.05, 20.0
    for _ in range(60):
        gain = math.sqrt(low * high)
        low, high = (gain, high) if probing.machine.torque(current / gain) > probing.question.full else (low, gain)
    return gain


def _greatest_current(probing, rest):
    """A speed controller before a clamped shaft goes to its greatest current: what it says it asks for, else the limit."""
    limit, seen = probing.machine.max_current_A, rest.pattern.gain
    asked = float(np.mean([abs(one.reported) for one in rest.all]))
    told = math.isfinite(asked) and asked > 0.0
    check = Check("amplitude", f"1, true over asked ({asked:.4g} A)" if told else f"at most max_current_A, {limit:.4g} A")
    if not rest.settled:
        return check.not_judged(NOT_SETTLED)
    gain = seen / (asked if told else limit)
    found = f"{gain:.3f} ({seen:.4g} A, shaft clamped)"
    if told or gain > 1.0 - causes.GAIN_TOLERANCE:
        return _scaled(check, gain, found)
    cause, hint = causes.scale_cause(gain)
    own = "less than the limit allows: a limit of its own"
    return check.not_judged(f"{own}, or {hint}", found, gain) if cause else check.right(found, gain, f"{own}?")


def torque(probing, rest):
    """Is the torque what was asked for, with its sign?"""
    asked = probing.question.full
    positive = "positive for positive iq" if rest.on_axes else "positive for a positive command"
    check = Check("torque", f"{asked:.4g} Nm +- 1 %" if probing.mode == "torque" else positive)
    if not rest.settled:
        return check.not_judged(NOT_SETTLED)
    could = probing.machine.greatest_torque(probing.size_A)
    if could < 1e-9:
        return check.not_judged(NO_TORQUE)
    torques = np.array([one.torque_Nm for one in rest.plus])
    low, high, value = float(torques.min()), float(torques.max()), float(np.mean(torques))
    if max(abs(low), abs(high)) < NOTHING * could:
        return check.wrong("none", "no_torque", "current without torque.", value)
    found = f"{value:.4g} Nm" if high - low <= 0.02 * max(abs(low), abs(high)) else f"{low:.3g} to {high:.3g} Nm"
    if high <= 0.0:
        return check.wrong(found, "torque_sign", "the drive brakes where it should drive.", value)
    if low <= 0.0:
        return check.wrong(found, "torque_changes", "it depends on where the rotor stands.", value)
    if probing.mode != "torque" or max(abs(low / asked - 1.0), abs(high / asked - 1.0)) <= causes.GAIN_TOLERANCE:
        return check.right(found, value)
    if abs(rest.pattern.angle_deg) > causes.ANGLE_TOLERANCE_DEG:
        return check.wrong(found, "", "it follows from the angle zero.", value)
    return check.wrong(found, "", f"{100.0 * (value / asked - 1.0):+.1f} % on average.", value)
