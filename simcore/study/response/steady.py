"""A scenario held at its operating point, with what is injected laid over its commands as a point an update."""

import math

import numpy as np

from simcore.scenario import Profile
from simcore.scenario.load import RigLoad

REALISATION_USES = 4  # periods of each realisation that are used
MOST_ROWS = 400_000


def constant(value):
    """Profile of a constant."""
    return Profile((0.0,), (float(value),))


def sampled_profile(values, sample_s):
    """(values (n,), sample time) => Profile with a point a sample."""
    times = np.arange(len(values)) * sample_s
    return Profile(tuple(times.tolist()), tuple(np.asarray(values, dtype=float).tolist()))


def laid_out(multisine, number, settle_s=0.0, each_settles_s=0.0):
    """(Multisine, input, least times to settle at the start and with each realisation) => its signal over the whole run (n,),
    peak 1: whole periods of settling, then realisation after realisation; numbers of the periods to use."""
    before, lost = (max(1, math.ceil(time_s / multisine.period_s)) for time_s in (settle_s, each_settles_s))
    each = lost + REALISATION_USES
    parts = [np.tile(one[number], each) for one in multisine.signals]
    signal = np.concatenate([np.tile(multisine.signals[0][number], before), *parts])
    used = [before + k * each + lost + j for k in range(len(parts)) for j in range(REALISATION_USES)]
    return signal, used


def rows_apart(ticks, per_update):
    """(ticks of a run, ticks an update) => ticks between rows: whole updates, as few as keep the recording small."""
    return per_update * max(1, math.ceil(ticks / per_update / MOST_ROWS))


def commands_at(scenario, at_s):
    """(scenario, time) => {name: Profile} of the commands that are given, held at what they are then."""
    commands = scenario.commands
    given = {name: getattr(commands, name) for name in type(commands).model_fields}
    return {name: constant(profile.at(at_s)) for name, profile in given.items() if profile is not None}


def load_at(load, at_s, speed_rpm=None):
    """(load model, time, speed of a rig or None: its own) => the same with what it does then for good."""
    for name in ("speed_rpm", "torque_Nm", "grade_percent"):
        if hasattr(load, name):
            value = speed_rpm if name == "speed_rpm" and speed_rpm is not None else getattr(load, name).at(at_s)
            return load.model_copy(update={name: constant(value)})
    return load


def at_rest(scenario, point, duration_s, *, record_every=1, commands=None, load=None, mode=None):
    """(scenario, OperatingPoint, length) => Scenario that stays there: commands {name: Profile}, load model, mode replaced.

    Nothing is expected of it, nothing breaks and no scope is taken.
    """
    given = {name: None for name in type(scenario.commands).model_fields} | (commands or {})
    update = {
        "commands": scenario.commands.model_copy(update=given),
        "initial": scenario.initial.model_copy(
            update={"speed_rpm": point.speed_rpm, "id_A": float(point.reference_A[0]), "iq_A": float(point.reference_A[1])}
        ),
        "run": scenario.run.model_copy(update={"duration_s": duration_s, "record_every": record_every}),
        "expect": (),
        "scope": (),
        "fault": (),
    }
    if load is not None:
        update["load"] = load
    if mode is not None:
        update["controller"] = scenario.controller.model_copy(update={"mode": mode})
    return scenario.model_copy(update=update)


def rig(speed_rpm):
    """A rig that holds this speed."""
    return RigLoad(kind="rig", speed_rpm=float(speed_rpm))
