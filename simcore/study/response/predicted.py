"""Figures of the predicted loops: margins at every cut, step answer, stability edge."""

import math
from dataclasses import dataclass, replace

import numpy as np

from simcore.study.response.cuts import WHERE, Loci, both_axes_peak, isotropic, one_axis, open_axes, speed_cut
from simcore.study.response.edge import stability_factor
from simcore.study.response.margins import Margins, frequencies, least_of, margins_of
from simcore.study.response.sampled import sampled_system
from simcore.study.response.steps import UNSTABLE, step_answer, step_figures


@dataclass(frozen=True, eq=False)
class Cut:
    """A loop cut at one place: its margins and its open response as a function of frequency."""

    name: str
    margins: Margins
    loop: object

    @property
    def broken_at(self):
        """Where the loop is cut, in words."""
        return WHERE[self.name]


@dataclass(frozen=True, eq=False)
class PredictedLoop:
    """Cuts by name; steps and answers (times, unit step's answer) by what is stepped; the edge as a factor on all gains and
    as a bandwidth.

    closed: the closed SampledSystem. both_axes_peak: largest singular value of 1/(1 + L), None for a speed loop.
    """

    cuts: dict
    steps: dict
    answers: dict
    stable: bool
    edge_factor: float | None
    edge_Hz: float | None
    both_axes_peak: float | None
    closed: object

    @property
    def worst(self):
        """The cut with the least phase margin."""

        return min(self.cuts.values(), key=lambda cut: _margin(cut.margins))

    @property
    def worst_step(self):
        """The step answer with the most overshoot."""
        return max(self.steps.values(), key=lambda step: step.overshoot_percent or 0.0)


def with_current_gains(drive, factor):
    """(LinearDrive, factor) => the same with all gains of the current controller times it."""
    current = drive.current
    return replace(drive, current=replace(current, kp=factor * current.kp, ki=factor * current.ki))


def with_speed_gains(drive, factor):
    """(LinearDrive, factor) => the same with the speed controller's gains, or the bandwidth they follow, times it."""
    speed = drive.speed
    integral = factor * factor if speed.by_bandwidth else factor
    return replace(drive, speed=replace(speed, kp=factor * speed.kp, ki=integral * speed.ki))


def current_edge(drive):
    """(LinearDrive) => factor on the current controller's gains at the edge of stability, or None."""
    none, one = sampled_system(with_current_gains(drive, 1e-12)), sampled_system(drive)
    # The gains enter linearly: two systems give all between.
    return stability_factor(lambda factor: np.linalg.eigvals(none.A + factor * (one.A - none.A)))


def predict_current(drive, cut="error"):
    """(LinearDrive at held speed, "error" or "output") => PredictedLoop of current control."""
    axes, period, closed = open_axes(drive, cut), drive.timing.update_s, sampled_system(drive)
    ending = "" if cut == "error" else "_output"
    cuts = {}
    for number, axis in enumerate("dq"):
        name = axis + ending
        loop = _axis_loop(axes, number)
        cuts[name] = Cut(name, margins_of(loop, period, closed.stable), loop)
    if cut == "error":
        name = "vector" if isotropic(drive) else "both"
        loci = Loci(axes, period)
        branches = [(margins_of(locus, period, closed.stable), locus) for locus in (loci.branch(0), loci.branch(1))]
        first = min(branches, key=lambda pair: _margin(pair[0]))
        cuts[name] = Cut(name, least_of([margins for margins, _ in branches]), first[1])
    steps, answers = _steps(closed, {axis: f"i{axis}" for axis in "dq"})
    factor = current_edge(drive)
    peak = float(np.max(both_axes_peak(open_axes(drive)(frequencies(period)))))
    edge_Hz = None if factor is None else factor * drive.current.bandwidth_Hz
    return PredictedLoop(cuts, steps, answers, closed.stable, factor, edge_Hz, peak, closed)


def _steps(closed, signals):
    """(closed system, {name: reference and output of that name}) => StepFigures and answers by name; none where it swings."""
    if not closed.stable:
        return dict.fromkeys(signals, UNSTABLE), {}
    answers = {name: step_answer(closed, signal, signal) for name, signal in signals.items()}
    return {name: step_figures(*answer) for name, answer in answers.items()}, answers


def current_margins(drive):
    """(LinearDrive at held speed) => the least Margins over both axes, each with the other closed, and both at once."""
    axes, period = open_axes(drive), drive.timing.update_s
    loci = Loci(axes, period)
    loops = (_axis_loop(axes, 0), _axis_loop(axes, 1), loci.branch(0), loci.branch(1))
    stable = sampled_system(drive).stable
    return least_of([margins_of(loop, period, stable) for loop in loops])


def speed_margins(drive):
    """(LinearDrive with shaft and speed control) => Margins of the speed loop."""
    return margins_of(speed_cut(drive), drive.timing.update_s, sampled_system(drive).stable)


def _axis_loop(axes, number):
    return lambda f: one_axis(axes(f), number)


def _margin(margins):
    return math.inf if margins.phase_margin_deg is None else margins.phase_margin_deg


def predict_speed(drive):
    """(LinearDrive with shaft and speed control) => PredictedLoop of speed control around the current loop."""
    closed, loop = sampled_system(drive), speed_cut(drive)
    steps, answers = _steps(closed, {"speed": "speed"})
    factor = stability_factor(lambda factor: sampled_system(with_speed_gains(drive, factor)).poles)
    edge_Hz = None if factor is None else factor * drive.speed.bandwidth_Hz
    cut = Cut("speed", margins_of(loop, drive.timing.update_s, closed.stable), loop)
    return PredictedLoop({"speed": cut}, steps, answers, closed.stable, factor, edge_Hz, None, closed)
