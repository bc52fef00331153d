"""The losses of a drive over torque, speed and supply voltage: a small grid of closed-loop runs, and smooth values between."""

import hashlib
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from controllers.table_cache import cached_tables
from simcore.loop import RunError, iterate_ensemble
from simcore.plant.temperature import COPPER_ZERO_degC
from simcore.study.efficiency_map.job import MapJob
from simcore.study.efficiency_map.measured import measured
from simcore.study.efficiency_map.rig import rig_document
from simcore.study.points.kept import study_key

SIGNALS = {
    "capacitor": "loss_capacitor_W", "conduction": "loss_conduction_W", "switching": "loss_switching_W", "gate": "loss_gate_W",
    "copper": "loss_copper_W", "iron": "loss_iron_W",
}  # fmt: skip
SPEEDS, TORQUES = 17, 25
FINE_SPEEDS, FINE_TORQUES = 97, 641
ANGLE_DEG = 17.0
COARSE, WARMER_K, JUNCTION_ABOVE_K = 9, 50.0, 15.0
LEAST_SHARE = 2e-4  # of it at the points without torque
BEYOND = 1.02  # of the greatest torque: the outer points show what the drive gives at most
RPM = 30.0 / np.pi


class Temperatures(NamedTuple):
    """What a table's runs were held at [degC]."""

    junction_degC: float
    winding_degC: float
    magnet_degC: float


class Warmth(NamedTuple):
    """How much warmer than the table's runs junctions, winding and magnets are, numbers or arrays (n,) [K]."""

    junction_K: object
    winding_K: object
    magnet_K: object


@dataclass(frozen=True)
class LossTable:
    """voltages_V (m,): of the source behind its resistance; speeds_rpm (n,), torques_Nm (k,); losses_W: a stage's name => array
    (m, n, k) at the temperatures of `at`; greatest_Nm, least_Nm (m, n): what the drive gives at most, driving and braking;
    junction_W_per_K, magnet_W_per_K: {stage: array (n, k)} by which the losses rise with these temperatures, or None; points:
    how many runs it rests on."""

    voltages_V: np.ndarray
    speeds_rpm: np.ndarray
    torques_Nm: np.ndarray
    losses_W: dict
    greatest_Nm: np.ndarray
    least_Nm: np.ndarray
    points: int
    at: Temperatures = None
    junction_W_per_K: dict | None = None
    magnet_W_per_K: dict | None = None

    def losses_at(self, source_V, speed_rpm, torque_Nm, warmth=None):
        """Arrays (n,) and a Warmth => {stage: losses (n,) [W]}, linear between the table's points, held at its edges."""
        plane = _places(self.speeds_rpm, np.abs(speed_rpm)), _places(self.torques_Nm, torque_Nm)
        weights = (_places(self.voltages_V, source_V), *plane)
        found = {name: _linear(values, weights) for name, values in self.losses_W.items()}
        if warmth is None:
            return found
        for slopes, warmer in ((self.junction_W_per_K, warmth.junction_K), (self.magnet_W_per_K, warmth.magnet_K)):
            if slopes is not None:
                found = {name: values + _linear(slopes[name], plane) * warmer for name, values in found.items()}
        found["copper"] = found["copper"] * (1.0 + warmth.winding_K / (COPPER_ZERO_degC + self.at.winding_degC))
        return {name: np.maximum(values, 0.0) for name, values in found.items()}

    def limits_at(self, source_V):
        """source voltage [V] => greatest and least torque over speeds_rpm, two arrays (n,) [Nm]."""
        low, share = _places(self.voltages_V, np.array([source_V]))
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
    for corner in range(2 ** len(weights)):
        index, share = [], 1.0
        for axis, (low, above) in enumerate(weights):
            up = corner >> axis & 1
            index.append(np.minimum(low + up, table.shape[axis] - 1))
            share = share * (above if up else 1.0 - above)
        total = total + share * table[tuple(index)]
    return total


def loss_table(scenario, voltages_V, fastest_rpm, progress=None):
    """(Scenario, source voltages [V], greatest speed [rpm]) => LossTable of its drive on a rig, kept for the next time.

    Where the scenario models heat, the runs are held at temperatures near its coolants', and a coarser grid of warmer ones
    tells how losses rise with junction and magnet temperature; copper follows its resistance.  progress(done, total) counts
    runs.  Raises RunError where a point breaks off.
    """
    at = held_temperatures(scenario)
    inverter, machine = scenario.inverter.heat is not None, scenario.machine.heat is not None
    middle_V = float(np.mean(voltages_V))
    warmer = [
        (name, at._replace(**{f"{part}_degC": getattr(at, f"{part}_degC") + WARMER_K}))
        for name, part, there in (("junction_W_per_K", "junction", inverter), ("magnet_W_per_K", "magnet", machine))
        if there
    ]
    fine = [Grid(_job(scenario, volt, at), fastest_rpm, SPEEDS, TORQUES) for volt in voltages_V]
    coarse = [Grid(_job(scenario, middle_V, one), fastest_rpm, COARSE, COARSE) for _, one in warmer]
    found = _kept(scenario, [*fine, *coarse], progress)
    table = _smooth(np.asarray(voltages_V, dtype=float), fine[0].speeds_rpm, np.array(found[: len(fine)]))
    slopes = {}
    for (name, _), grid, values in zip(warmer, coarse, found[len(fine) :], strict=True):
        slopes[name] = _slopes(table, middle_V, grid.speeds_rpm, values)
    return replace(table, at=at, points=sum(len(grid.points) for grid in [*fine, *coarse]), **slopes)


def held_temperatures(scenario):
    """Scenario => Temperatures of the table's runs: those given, or a little above the coolants where heat is modelled."""
    inverter, machine = scenario.inverter, scenario.machine
    junction = inverter.devices.junction_degC if inverter.devices is not None else 25.0
    if inverter.heat is not None:
        junction = inverter.heat.coolant_degC + JUNCTION_ABOVE_K
    winding, magnet = machine.winding_temperature_degC, machine.magnet_temperature_degC
    if machine.heat is not None and machine.heat.initial != "given":
        winding = magnet = machine.heat.coolant_degC
    return Temperatures(junction, winding, magnet)


class Grid:
    """(MapJob, greatest speed, how many speeds and torques) => points = [(speed, torque), ...], torques denser near zero,
    where the ripple of the current decides which edges are hard."""

    def __init__(self, job, fastest_rpm, speeds, torques):
        share = np.linspace(-1.0, 1.0, torques)
        self.job, self.speeds_rpm = job, np.linspace(0.0, fastest_rpm, speeds)
        # No current at all is a case apart, which no drive on the road ever meets: neither switch of a leg turns on hard.
        size = np.maximum(np.abs(share) ** 2.2, LEAST_SHARE)
        asked = BEYOND * job.greatest_Nm * size * np.where(share < 0.0, -1.0, 1.0)
        self.points = [(float(n), float(t)) for n in self.speeds_rpm for t in asked]
        self.shape = (speeds, torques, 1 + len(SIGNALS))


def _job(scenario, source_V, at):
    """The points of an efficiency map of the scenario's drive, behind the supply's own resistance, held at temperatures."""
    document, _ = rig_document(scenario, scenario.inverter.model == "switched")
    supply = scenario.supply
    document["supply"] = {
        "kind": "source", "voltage_V": float(source_V), "resistance_ohm": supply.resistance_ohm,
        "inductance_H": supply.inductance_H, "auxiliary_W": supply.auxiliary_W,
    }  # fmt: skip
    machine = {name: value for name, value in document["machine"].items() if name != "heat"}
    warm = {"winding_temperature_degC": at.winding_degC, "magnet_temperature_degC": at.magnet_degC}
    document["machine"] = machine | (warm if scenario.machine.heat is not None else {})
    if scenario.inverter.heat is not None:
        inverter = {name: value for name, value in document["inverter"].items() if name != "heat"}
        document["inverter"] = inverter | {"devices": inverter["devices"] | {"junction_degC": at.junction_degC}}
    # At standstill no leg shall stand where it carries nothing.
    document["initial"] = {"angle_electrical_deg": ANGLE_DEG}
    return MapJob.of(document, scenario.path)


def _kept(scenario, grids, progress):
    """Grids => what each found, array (speeds, torques, 1 + stages), from the last time where it is the same."""
    build = lambda: _run(grids, progress)  # noqa: E731
    # What a user's own controller is made of is not known to the last file.
    found = cached_tables(_key(grids), build) if scenario.controller.built_in else build()
    parts = np.split(found, np.cumsum([len(grid.points) for grid in grids])[:-1])
    return [part.reshape(grid.shape) for part, grid in zip(parts, grids, strict=True)]


def _key(grids):
    """Numbers that stand for drive, version and points."""
    said = [study_key(grid.job, grid.points) for grid in grids]
    return [np.frombuffer(hashlib.sha256(repr((said, SIGNALS)).encode()).digest(), dtype=np.uint32)]


def _run(grids, progress):
    """Grids => torque reached and losses of every point, array (points, 1 + stages)."""
    asked = [(grid.job, values) for grid in grids for values in grid.points]
    found = np.zeros((len(asked), 1 + len(SIGNALS)))

    def take(recording):
        if recording.error is not None:
            return None
        job = grids[0].job
        window = job.windows.at(recording.scenario.load.speed_rpm.at(0.0))
        values = measured(recording, window, job.greatest_Nm, job.apparent_W).values
        return [values["torque_reached_Nm"], *(values[name] for name in SIGNALS.values())]

    tell = None if progress is None else lambda done: progress(done, len(asked))
    for result in iterate_ensemble((job.at(k, values) for k, (job, values) in enumerate(asked)), take, progress=tell):
        if result.value is None:
            job, (speed, torque) = asked[result.index]
            at = f"{job.scenario.supply.voltage_V:.5g} V, {speed:.5g} rpm, {torque:.5g} Nm"
            raise RunError(f"loss table at {at}: {result.error or 'nothing was recorded'}", None)
        found[result.index] = result.value
    return found


def _slopes(table, source_V, speeds, found):
    """(LossTable, its voltage, speeds, what warmer runs found) => {stage: rise a kelvin over the table's axes (n, k)}."""
    flat = found.reshape(-1, found.shape[-1])
    at_speed = np.repeat(speeds, found.shape[1])
    colder = table.losses_at(np.full(len(flat), source_V), at_speed, flat[:, 0])
    rise = flat.copy()
    for k, name in enumerate(SIGNALS):
        rise[:, 1 + k] = (flat[:, 1 + k] - colder[name]) / WARMER_K
    warm = _smooth(np.array([source_V]), speeds, rise.reshape(1, *found.shape), table.torques_Nm)
    return {name: values[0] for name, values in warm.losses_W.items()}


def _smooth(voltages, speeds, found, fine=None):
    """(voltages, speeds, found (m, n, k, 1 + stages), torques or None) => LossTable on a fine even grid.

    Along torque each row runs over the torques that were reached (asked beyond the limit, the same point comes several times);
    both ways the curves are Akima's, which neither swing at a kink nor cut a parabola.
    """
    from scipy.interpolate import Akima1DInterpolator

    greatest, least = found[..., 0].max(axis=2), found[..., 0].min(axis=2)
    fine = np.linspace(least.min(), greatest.max(), FINE_TORQUES) if fine is None else fine
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
