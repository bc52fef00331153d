"""The losses of a drive over torque, speed and link voltage: a small grid of closed-loop runs, and smooth values between."""

import hashlib
import math
from dataclasses import dataclass

import numpy as np

from controllers.table_cache import cached_tables
from simcore.loop import RunError, iterate_ensemble
from simcore.study.efficiency_map.job import MapJob
from simcore.study.efficiency_map.measured import measured
from simcore.study.efficiency_map.rig import rig_document
from simcore.study.points.kept import study_key

SIGNALS = {
    "capacitor": "loss_capacitor_W", "conduction": "loss_conduction_W", "switching": "loss_switching_W", "gate": "loss_gate_W",
    "copper": "loss_copper_W", "iron": "loss_iron_W",
}  # fmt: skip
SPEEDS, TORQUES = 17, 17
FINE_SPEEDS, FINE_TORQUES = 97, 161
BEYOND = 1.02  # of the greatest torque: the outer points show what the drive gives at most
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
    """(Scenario, link voltages [V], greatest speed [rpm]) => LossTable of its drive on a rig, kept for the next time.

    progress(done, total) counts runs.  Raises RunError where a point breaks off.
    """
    jobs = [_job(scenario, link_V) for link_V in voltages_V]
    share = np.linspace(-1.0, 1.0, TORQUES)
    speeds = np.linspace(0.0, fastest_rpm, SPEEDS)
    torques = BEYOND * jobs[0].greatest_Nm * np.sign(share) * np.abs(share) ** 1.5
    asked = [(job, (float(n), float(t))) for job in jobs for n in speeds for t in torques]
    build = lambda: _run(asked, None if progress is None else lambda done: progress(done, len(asked)))  # noqa: E731
    if scenario.controller.built_in:
        found = cached_tables(_key(jobs, asked), build)
    else:
        # What a user's own controller is made of is not known to the last file.
        found = build()
    shape = (len(voltages_V), SPEEDS, TORQUES)
    return _smooth(np.asarray(voltages_V, dtype=float), speeds, torques, found.reshape(*shape, -1))


def _job(scenario, link_V):
    """The points of an efficiency map of the scenario's drive at a stiff link."""
    document, _ = rig_document(scenario, scenario.inverter.model == "switched")
    return MapJob.of(document | {"supply": {"kind": "source", "voltage_V": float(link_V)}}, scenario.path)


def _key(jobs, asked):
    """Numbers that stand for drive, version and points."""
    said = [study_key(job) for job in jobs] + [repr([values for _, values in asked]), repr(SIGNALS)]
    return [np.frombuffer(hashlib.sha256("".join(said).encode()).digest(), dtype=np.uint32)]


def _run(asked, tell):
    """[(MapJob, (speed, torque)), ...] => torque reached and losses of each (points, 1 + stages)."""
    found = np.zeros((len(asked), 1 + len(SIGNALS)))

    def take(recording):
        if recording.error is not None:
            return None
        speed = recording.scenario.load.speed_rpm.at(0.0)
        job = asked[0][0]
        values = measured(recording, job.windows.at(speed), job.greatest_Nm, job.apparent_W).values
        return [values["torque_reached_Nm"], *(values[name] for name in SIGNALS.values())]

    for result in iterate_ensemble((job.at(k, values) for k, (job, values) in enumerate(asked)), take, progress=tell):
        if result.value is None:
            job, (speed, torque) = asked[result.index]
            at = f"{job.scenario.supply.voltage_V:.5g} V, {speed:.5g} rpm, {torque:.5g} Nm"
            raise RunError(f"loss table at {at}: {result.error or 'nothing was recorded'}", None)
        found[result.index] = result.value
    return found


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
