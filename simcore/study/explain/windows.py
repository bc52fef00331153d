"""Steady windows of a run: whole turns of constant speed and current, in which orders mean something."""

from dataclasses import dataclass

import numpy as np

from simcore.measure.spectra import electrical_angle
from simcore.study.explain.faults import fault_instants

MOST_ROWS = 24_000
LEAST_PERIODS, _LEAST_ROWS_A_PERIOD = 2, 12
_TURNS_FOR_FRACTIONS = 2
_CURRENT_SHARE, _SPEED_SHARE = 0.005, 0.002
_COMMANDS = ("torque_Nm", "speed_rpm", "id_A", "iq_A", "vd_V", "vq_V", "voltage_V", "frequency_Hz", "run_request")
_LOADS = ("torque_Nm", "speed_rpm", "grade_percent")


@dataclass(frozen=True)
class SteadyWindow:
    """Rows first ... stop-1; whole mechanical turns where `turns` is not 0, else whole electrical periods only."""

    first: int
    stop: int
    from_s: float
    to_s: float
    speed_rpm: float
    electrical_Hz: float
    turns: int
    angle_rad: np.ndarray  # electrical, unwrapped (rows,)

    @property
    def rows(self):
        return slice(self.first, self.stop)


def steady_windows(recording, most=3):
    """recording => up to `most` SteadyWindow, the longest, in the order of time; none where nothing is steady."""
    if len(recording.time_s) < 2 * _LEAST_ROWS_A_PERIOD:
        return []
    angle = electrical_angle(recording, slice(None))
    found = [
        window
        for begin, end in _segments(recording)
        if (window := _steady_part(recording, angle, begin, end)) is not None
    ]
    found = sorted(found, key=lambda window: window.to_s - window.from_s)[-most:]
    return sorted(found, key=lambda window: window.first)


def _segments(recording):
    """Rows between instants at which a command or the load is told to change: (begin, end) pairs."""
    scenario = recording.scenario
    instants = set()
    for table, names in ((scenario.commands, _COMMANDS), (scenario.load, _LOADS)):
        for name in names:
            instants |= set(getattr(getattr(table, name, None), "times", ()))
    instants |= fault_instants(scenario)
    edges = np.searchsorted(recording.time_s, sorted(instants)) if instants else []
    edges = np.unique(np.concatenate(([0], edges, [len(recording.time_s)]))).astype(int)
    return list(zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True))


def _steady_part(recording, angle, begin, end):
    """The longest end of the rows in which block means stay where they are; None where there is none, or the shaft stands."""
    pole_pairs = recording.scenario.machine.pole_pairs
    begin += _last_reversal(angle[begin:end])
    whole = angle[begin:end]
    turned = abs(whole[-1] - whole[0]) / (2.0 * np.pi)
    if turned < LEAST_PERIODS or len(whole) / turned < _LEAST_ROWS_A_PERIOD:
        return None
    periods = pole_pairs if turned >= (_TURNS_FOR_FRACTIONS + 0.5) * pole_pairs else 1
    edges = begin + _block_edges(whole, periods)
    keep = _settled_from(recording, edges)
    blocks = len(edges) - 1 - keep
    if blocks < (_TURNS_FOR_FRACTIONS if periods > 1 else LEAST_PERIODS):
        if periods == 1:
            return None
        edges = begin + _block_edges(whole, 1)
        keep, periods = _settled_from(recording, edges), 1
        if len(edges) - 1 - keep < LEAST_PERIODS:
            return None
    edges = edges[keep:]
    # The latest rows where there are more than are needed.
    first = edges[min(int(np.searchsorted(edges, edges[-1] - MOST_ROWS)), len(edges) - 2)]
    stop, turns = int(edges[-1]), int(len(edges) - 1 - np.searchsorted(edges, first))
    first = int(first)
    speed = float(np.mean(recording["speed_rpm"][first:stop]))
    to_s = float(recording.time_s[stop - 1] + recording.row_s)
    return SteadyWindow(
        first=first, stop=stop, from_s=float(recording.time_s[first]), to_s=to_s, speed_rpm=speed,
        electrical_Hz=abs(speed) / 60.0 * pole_pairs, turns=turns if periods == pole_pairs else 0,
        angle_rad=angle[first:stop],
    )  # fmt: skip


def _last_reversal(angle):
    """Rows up to the last one at which the shaft turned the other way."""
    moves = np.diff(angle)
    if not len(moves):
        return 0
    back = np.flatnonzero(moves * moves[-1] <= 0.0)
    return int(back[-1]) + 1 if len(back) else 0


def _block_edges(angle, periods):
    """Rows at which another whole number of periods has been turned, counted back from the end."""
    turned = np.abs(angle - angle[-1]) / (2.0 * np.pi * periods)
    count = int(turned[0] + 1e-9)
    edges = [len(angle) - 1 - int(np.searchsorted(turned[::-1], k - 1e-9)) for k in range(count, 0, -1)]
    return np.array([*edges, len(angle) - 1])


def _settled_from(recording, edges):
    """Number of the first block from which on the means of currents and speed stay near their last ones."""
    count = len(edges) - 1
    if count < 1:
        return 0
    current = np.hypot(recording["id_A"][edges[0] : edges[-1]], recording["iq_A"][edges[0] : edges[-1]])
    scale = max(float(np.sqrt(np.mean(current**2))), 0.02 * recording.scenario.machine.max_current_A)
    moved = np.zeros(count, dtype=bool)
    for name, least in (("id_A", _CURRENT_SHARE * scale), ("iq_A", _CURRENT_SHARE * scale), ("speed_rpm", 0.0)):
        values = np.asarray(recording[name], dtype=np.float64)
        means = np.add.reduceat(values[: edges[-1]], edges[:-1])[:count] / np.diff(edges)
        end = float(np.median(means[-max(count // 3, 1) :]))
        allowed = least if least else _SPEED_SHARE * max(abs(end), 1.0)
        moved |= np.abs(means - end) > allowed
    return int(np.flatnonzero(moved)[-1]) + 1 if moved.any() else 0
