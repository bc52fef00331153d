"""What the true plant shows of a controller's answer: where a vector settles, and which voltage comes first."""

import math
from dataclasses import dataclass

import numpy as np

LONGER = (1, 4, 16)  # a run that has not settled is made longer by these
DRIFT, SWING = 0.003, 0.02  # of the vector's length, in the last quarter of a run that has settled
STEADY = 0.0003  # drift below which a longer run would show nothing new
RUNAWAY = 2.0  # times the greatest current
FIRST = 0.02  # of the largest change of voltage, from where an answer has begun


@dataclass(frozen=True)
class Settled:
    """The mean of the last quarter of a run, and whether the run stood still there; `sentence` where it broke off.

    reported is the current that the controller says it asks for, NaN where it says nothing.
    """

    current: complex
    voltage: complex
    reported: complex
    torque_Nm: float
    speed_rpm: float
    power_W: float
    drift: float
    swing: float
    still: bool
    ran_away: bool
    sentence: str


def settle(run, updates, max_current_A, quiet, turns_per_update=0.0, of="current"):
    """run(updates) => Watched; made longer until its vector (`of` current or voltage) settles => Settled.

    quiet: a length [A or V] below which nothing is called drifting; turns_per_update: electrical turns of the rotor, over
    whole numbers of which means are taken.
    """
    for factor in LONGER:
        seen = _look(run(updates * factor), max_current_A, quiet, turns_per_update, of)
        if (seen.still and seen.drift < STEADY) or seen.ran_away or seen.sentence:
            break
    return seen


def _look(watched, max_current_A, quiet, turns_per_update, of):
    rows = len(watched)
    if rows == 0:
        return Settled(0j, 0j, complex(math.nan), 0.0, 0.0, 0.0, math.inf, math.inf, False, False, watched.broken)
    per_row = abs(turns_per_update) / (1 if watched.recording.scenario.inverter.update == "double" else 2)
    quarter = max(rows // 4, 1)
    if per_row * quarter >= 1.0:
        quarter = round(math.floor(per_row * quarter) / per_row)
    last, before = slice(rows - quarter, rows), slice(max(rows - 2 * quarter, 0), max(rows - quarter, 1))
    vector = watched.voltage if of == "voltage" else watched.current
    mean = complex(np.mean(vector[last]))
    drift = abs(mean - complex(np.mean(vector[before])))
    swing = float(np.sqrt(np.mean(np.abs(vector[last] - mean) ** 2)))
    scale = max(abs(mean), quiet)
    speed = float(np.mean(watched.speed_rpm[last]))
    drift = max(drift / scale, abs(speed - float(np.mean(watched.speed_rpm[before]))) / max(abs(speed), 1.0))
    swing /= scale
    still = drift <= DRIFT and swing <= SWING
    away = of == "current" and float(np.max(np.abs(watched.current[last]))) > RUNAWAY * max_current_A
    return Settled(
        current=complex(np.mean(watched.current[last])),
        voltage=complex(np.mean(watched.voltage[last])),
        reported=complex(np.mean(watched.reported[last])),
        torque_Nm=float(np.mean(watched.torque_Nm[last])),
        speed_rpm=speed,
        power_W=float(np.mean(watched.power_W[last])),
        drift=drift,
        swing=swing,
        still=still and not watched.broken and not away,
        ran_away=away or _diverged(watched),
        sentence=watched.broken,
    )


def _diverged(watched):
    return "diverged" in watched.broken or "left the flux map" in watched.broken


def first_voltage(base, other, ticks_per_update, link_V):
    """(run, the same with one thing changed) => change of the voltage over the first update that answers [V], 0 for none.

    Both are mean voltages rotated with the true angle of each tick, so that a voltage vector that was put where the rotor is
    in the middle of its interval shows no angle.
    """
    rows = min(len(base), len(other))
    change = other.voltage[:rows] - base.voltage[:rows]
    size = np.abs(change)
    peak = float(size.max()) if rows else 0.0
    if not peak > 1e-9 * link_V:
        return 0j
    begin = int(np.argmax(size > FIRST * peak)) // ticks_per_update * ticks_per_update
    return complex(np.mean(change[begin : begin + ticks_per_update]))
