"""Recordings made by hand for `drybench explain`: signals by formula, no loop."""

from types import SimpleNamespace

import numpy as np

POLE_PAIRS, TICK_S = 4, 50e-6


class Signals(dict):
    """A mapping of signals with what explain asks of a recording."""

    @property
    def signals(self):
        return tuple(self)


def turning(rpm, *, duration_s=0.3, every=1, commands=None, id_A=0.0, iq_A=100.0, **signals):
    """rpm: a number or an array (rows,). Further signals: arrays, numbers, or functions of the electrical angle [rad]."""
    row_s = every * TICK_S
    time_s = np.arange(round(duration_s / row_s)) * row_s
    rpm = np.broadcast_to(np.asarray(rpm, dtype=np.float64), time_s.shape)
    turns = np.concatenate(([0.0], np.cumsum(0.5 * (rpm[1:] + rpm[:-1]) * row_s / 60.0)))
    electrical = 2.0 * np.pi * POLE_PAIRS * turns
    columns = {"speed_rpm": rpm, "angle_deg": np.mod(360.0 * turns, 360.0), "id_A": id_A, "iq_A": iq_A} | signals
    columns = {name: value(electrical) if callable(value) else value for name, value in columns.items()}
    full = np.zeros(time_s.shape)
    recording = Signals({name: full + value for name, value in columns.items()})
    recording.time_s, recording.row_s, recording.closing_time_s = time_s, row_s, float(len(time_s) * row_s)
    profiles = {name: SimpleNamespace(times=times) for name, times in (commands or {}).items()}
    recording.scenario = SimpleNamespace(
        name="by_hand", record_every=every, tick_s=TICK_S, commands=SimpleNamespace(**profiles), load=SimpleNamespace(),
        machine=SimpleNamespace(pole_pairs=POLE_PAIRS, max_current_A=300.0, max_speed_rpm=12000.0),
    )  # fmt: skip
    return recording
