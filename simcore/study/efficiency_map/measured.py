"""Recording of a point => its numbers: means over whole periods, what moved since the window before, what bound."""

import math
from typing import NamedTuple

import numpy as np

from simcore.study.efficiency_map.columns import ABSENT, GREATEST, MEANS, VALUES

TORQUE_SHARE, LOSS_SHARE, POWER_SHARE, LINK_SHARE = 1e-3, 2e-3, 2e-6, 5e-4


class Measured(NamedTuple):
    """values: numbers by the names of columns.VALUES; told_Nm: torque as the controller believes it, where it says; moving: why
    the drive is not steady, "" where it is; limit: name of the limit that bound most of the window."""

    values: dict
    told_Nm: float
    moving: str
    limit: str

    def also_moving(self, why):
        """(sentence) => the same with one more thing that moves."""
        return self._replace(moving=f"{self.moving}; {why}" if self.moving else why)


def measured(recording, window, greatest_Nm, apparent_W):
    """(Recording of a point, Window, greatest torque and apparent power of the drive for scale) => Measured."""
    end = recording.closing_time_s
    now = weights(recording, end - window.length_s, end)
    before = weights(recording, end - 2.0 * window.length_s, end - window.length_s)
    values = {name: _mean(recording, name, now) for name in MEANS}
    values |= {name: _greatest(recording, name, now) for name in GREATEST}
    values["torque_reached_Nm"] = _mean(recording, "torque_Nm", now)
    code = _most(recording["binding_limit"], now)
    values |= {"binding_limit": code, "periods": window.periods, "simulated_s": float(end)}
    moving = _moving(recording, now, before, window, greatest_Nm, apparent_W)
    limit = recording.binding_names.get(int(code), f"code_{code:g}") if math.isfinite(code) else "none"
    return Measured({name: values[name] for name in VALUES}, _mean(recording, "torque_estimate_Nm", now), moving, limit)


def too_hot(recording):
    """(Recording given up, as its losses heat beyond a derating) => Measured: bound by temperature; the torque is not known."""
    values = dict.fromkeys(VALUES, math.nan) | {"simulated_s": float(recording.closing_time_s)}
    values["binding_limit"] = float(next(code for code, name in recording.binding_names.items() if name == "temperature"))
    return Measured(values, math.nan, "", "temperature")


def weights(recording, from_s, to_s):
    """(recording, window) => share of each row that lies in it (rows,): a window's ends lie between rows."""
    begin, length = recording.time_s, recording.row_length_s
    inside = np.minimum(begin + length, to_s) - np.maximum(begin, from_s)
    # Rounding of the ends is no part of a row.
    return np.where(inside > 1e-9 * length, inside, 0.0)


def _mean(recording, name, weight):
    """Weighted mean of a signal; what the drive does not have is its value in ABSENT, else NaN."""
    if name == "loss_mechanical_W" and name not in recording.signals:
        name = "loss_friction_W"
    if name not in recording.signals:
        return ABSENT.get(name, math.nan)
    inside = weight > 0.0
    return float(np.dot(recording[name][inside], weight[inside]) / weight.sum())


def _greatest(recording, name, weight):
    return float(np.max(recording[name][weight > 0.0])) if name in recording.signals else math.nan


def _most(codes, weight):
    """The code with the greatest share of the window."""
    kept = np.isfinite(codes) & (weight > 0.0)
    found, place = np.unique(codes[kept], return_inverse=True)
    return float(found[np.argmax(np.bincount(place, weight[kept]))]) if len(found) else math.nan


def _moving(recording, now, before, window, greatest_Nm, apparent_W):
    """Why two successive windows do not agree, "" where they do.

    What still decays with time constant tau moves in a window of length w by w/tau of what is left: that is what counts.
    """
    left = max(1.0, window.tau_s / window.length_s)
    loss = sum(_mean(recording, name, now) for name in _LOSSES)
    watched = (
        ("torque", "Nm", _apart(recording, ("torque_Nm",), now, before), TORQUE_SHARE * greatest_Nm),
        ("loss", "W", _apart(recording, _LOSSES, now, before), LOSS_SHARE * abs(loss) + POWER_SHARE * apparent_W),
        ("link voltage", "V", _apart(recording, ("link_voltage_V",), now, before),
         LINK_SHARE * abs(_mean(recording, "link_voltage_V", now))),
    )  # fmt: skip
    told = [
        f"{what} moves by {apart:.3g} {unit}" for what, unit, apart, allowed in watched if not left * apart <= allowed
    ]
    return f"{', '.join(told)} from one window of {window.length_s:.3g} s to the next" if told else ""


_LOSSES = tuple(ABSENT)


def _apart(recording, names, now, before):
    return abs(sum(_mean(recording, name, now) - _mean(recording, name, before) for name in names))
