"""The losses of a drive over torque, speed and link voltage: a small grid of closed-loop runs, and smooth values between."""

import math
from dataclasses import dataclass

import numpy as np

from simcore.loop import RunError, iterate_ensemble
from simcore.scenario.controller import MODES, Commands, Initial
from simcore.scenario.load import RigLoad
from simcore.scenario.profile import Profile
from simcore.scenario.supply import SourceSupply
from simcore.study.machine_torque import greatest_torque

SIGNALS = {
    "capacitor": "loss_capacitor_W", "conduction": "loss_conduction_W", "switching": "loss_switching_W", "gate": "loss_gate_W",
    "copper": "loss_copper_W", "iron": "loss_iron_W",
}  # fmt: skip
SPEEDS, TORQUES = 17, 17
FINE_SPEEDS, FINE_TORQUES = 97, 161
SETTLE_S, WINDOW_S, LONGEST_WINDOW_S = 0.10, 0.03, 0.25
RPM = 30.0 / math.pi


@dataclass(frozen=True)
class LossTable:
    """voltages (m,) [V], speeds (n,) [rpm], torques (k,) [Nm]; losses_W: a stage's name => array (m, n, k); greatest_Nm and
    least_Nm (m, n): what the drive gives at most driving and braking; points: how many runs it rests on."""

    voltages_V: np.ndarray
    speeds_rpm: np.ndarray
    torques_Nm: np.ndarray
    losses_W: dict
    greatest_Nm: np.ndarray
    least_Nm: np.ndarray
    points: int

    def losses_at(self, link_V, speed_rpm, torque_Nm):
        """Arrays (n,) => {stage: losses (n,) [W]}, linear between the table's points, held at its edges."""
        weights = [
            _places(axis, values)
            for axis, values in (
                (self.voltages_V, link_V), (self.speeds_rpm, np.abs(speed_rpm)), (self.torques_Nm, torque_Nm),
            )
        ]  # fmt: skip
        return {name: _linear(values, weights) for name, values in self.losses_W.items()}

    def limits_at(self, link_V):
        """link voltage [V] => greatest and least torque over speeds_rpm, two arrays (n,) [Nm]."""
        low, share = _places(self.voltages_V, np.array([link_V]))
        high = np.minimum(low + 1, len(self.voltages_V) - 1)
        mix = lambda table: (table[low] * (1.0 - share[:, None]) + table[high] * share[:, None])[0]  # noqa: E731
        return mix(self.greatest_Nm), mix(self.least_Nm)


def _places(axis, values):
    """(axis, values) => index of the point below and the share of the one above."""
    if len(axis) == 1:
        return np.zeros(len(values), dtype=int), np.zeros(len(values))
    at = np.clip(np.searchsorted(axis, values, side="right") - 1, 0, len(axis) - 2)
    return at, np.clip((values - axis[at]) / (axis[at + 1] - axis[at]), 0.0, 1.0)


def _linear(table, weights):
    total = 0.0
    for corner in range(8):
        index, share = [], 1.0
        for axis, (low, above) in enumerate(weights):
            up = corner >> axis & 1
            index.append(np.minimum(low + up, table.shape[axis] - 1))
            share = share * (above if up else 1.0 - above)
        total = total + share * table[tuple(index)]
    return total


def loss_table(scenario, voltages_V, fastest_rpm, progress=None):
    """(Scenario, link voltages [V], greatest speed [rpm]) => LossTable of its drive on a rig.

    progress(done, total) counts runs.  Raises RunError where a point breaks off.
    """
    greatest = greatest_torque(scenario)
    speeds = np.linspace(0.0, fastest_rpm, SPEEDS)
    share = np.linspace(-1.0, 1.0, TORQUES)
    torques = 1.02 * greatest * np.sign(share) * np.abs(share) ** 1.5
    asked = [(v, n, t) for v in voltages_V for n in speeds for t in torques]
    runs = (_point(scenario, *one) for one in asked)
    found = np.zeros((len(asked), 1 + len(SIGNALS)))
    tell = None if progress is None else lambda done: progress(done, len(asked))
    for result in iterate_ensemble(runs, _means, progress=tell):
        if result.error:
            volt, speed, torque = asked[result.index]
            raise RunError(f"loss table at {volt:.5g} V, {speed:.5g} rpm, {torque:.5g} Nm: {result.error}", None)
        found[result.index] = result.value
    shape = (len(voltages_V), SPEEDS, TORQUES)
    return _smooth(np.asarray(voltages_V, dtype=float), speeds, torques, found.reshape(*shape, -1))


def _point(scenario, link_V, speed_rpm, torque_Nm):
    """The scenario's drive on a rig at a stiff link: long enough to settle and for whole electrical periods."""
    frequency = speed_rpm / 60.0 * scenario.machine.pole_pairs
    periods = max(1, math.ceil(WINDOW_S * frequency)) if frequency > 0.0 else 0
    window = min(periods / frequency, LONGEST_WINDOW_S) if periods else WINDOW_S
    every = max(2, 2 * round(0.5e-3 / scenario.tick_s / 2))
    ticks = math.ceil((SETTLE_S + window) / scenario.tick_s / every) * every
    controller = scenario.controller
    if controller.built_in or controller.mode in MODES:
        controller = controller.model_copy(update={"mode": "torque"})
    run = scenario.run.model_copy(update={"duration_s": ticks * scenario.tick_s, "record_every": every})
    return scenario.model_copy(
        update={
            "controller": controller, "run": run, "expect": (), "scope": (), "fault": (), "initial": Initial(),
            "commands": Commands(torque_Nm=Profile((0.0,), (float(torque_Nm),))),
            "supply": SourceSupply(voltage_V=float(link_V)),
            "load": RigLoad(kind="rig", speed_rpm=Profile((0.0,), (float(speed_rpm),))),
        }
    )  # fmt: skip


def _means(recording):
    """Recording of a point => torque [Nm] and losses [W] over the window behind the settling."""
    rows = recording.time_s >= SETTLE_S - 1e-9
    weight = recording.row_length_s[rows]
    mean = lambda name: float(np.dot(recording[name][rows], weight) / weight.sum())  # noqa: E731
    return [mean("torque_Nm"), *(mean(name) if name in recording.signals else 0.0 for name in SIGNALS.values())]


def _smooth(voltages, speeds, torques, found):
    """(axes, found (m, n, k, 1 + stages)) => LossTable on a fine even grid.

    Along torque each row runs over the torques that were reached (asked beyond the limit, the same point comes several times);
    both ways the curves are Akima's, which neither swing at a kink nor cut a parabola.
    """
    from scipy.interpolate import Akima1DInterpolator

    greatest, least = found[..., 0].max(axis=2), found[..., 0].min(axis=2)
    fine = np.linspace(min(torques[0], least.min()), max(torques[-1], greatest.max()), FINE_TORQUES)
    stages = np.zeros((len(voltages), len(speeds), FINE_TORQUES, len(SIGNALS)))
    for v in range(len(voltages)):
        for n in range(len(speeds)):
            stages[v, n] = _along_torque(found[v, n, :, 0], found[v, n, :, 1:], fine)
    fine_speeds = np.linspace(speeds[0], speeds[-1], FINE_SPEEDS)
    over_speed = lambda values, axis: Akima1DInterpolator(speeds, values, axis=axis, method="makima")(fine_speeds)  # noqa: E731
    stages = over_speed(stages, 1)
    losses = {name: np.ascontiguousarray(stages[..., k]) for k, name in enumerate(SIGNALS)}
    linear = lambda values: np.array([np.interp(fine_speeds, speeds, row) for row in values])  # noqa: E731
    return LossTable(voltages, fine_speeds, fine, losses, linear(greatest), linear(least), found[..., 0].size)


def _along_torque(reached, losses, fine):
    """Losses (k, stages) at the torques reached => at the fine torques; beyond the reached ones straight on."""
    from scipy.interpolate import Akima1DInterpolator

    order = np.argsort(reached, kind="stable")
    apart = np.concatenate([[True], np.diff(reached[order]) > 1e-3 * np.ptp(reached)])
    x, y = reached[order][apart], losses[order][apart]
    if len(x) < 3:
        return np.array([np.interp(fine, x, column) for column in y.T]).T
    curve = Akima1DInterpolator(x, y, axis=0, method="makima")
    values = curve(np.clip(fine, x[0], x[-1]))
    slope = curve.derivative()
    for end, outside in ((x[0], fine < x[0]), (x[-1], fine > x[-1])):
        values[outside] += slope(end) * (fine[outside] - end)[:, None]
    return values
