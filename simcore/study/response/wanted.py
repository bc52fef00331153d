"""Gains for what is wanted: a crossover, a margin, the magnitude or the symmetrical optimum; proved on the exact sampled loop.

Magnitude optimum kp = L/(2 T), symmetrical optimum kp = L/(a T), ki = kp/(a^2 T), with T the sum of small delays: C. Kessler,
1955 and 1958 (from memory); references: S. Umland, M. Safiuddin, IEEE Trans. Ind. Appl. 26(3), 1990 (from memory).
Checked: tests/study/response/test_wanted.py.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from simcore.scenario.errors import did_you_mean
from simcore.study.response.built_in import BuiltIn
from simcore.study.response.cuts import speed_cut
from simcore.study.response.drive_at import linear_drive, update_of
from simcore.study.response.predicted import PredictedLoop, current_margins, predict_current, predict_speed, speed_margins

# Keys of each loop that contradict each other.
CURRENT_KEYS = ("current_bandwidth_Hz", "kp_d_V_per_A", "kp_q_V_per_A", "ki_d_V_per_As", "ki_q_V_per_As")
SPEED_KEYS = ("speed_bandwidth_Hz", "speed_kp_Nm_s", "speed_ki_Nm")
# rule: (needs a value, default, lowest, highest)
RULES = {
    "current_crossover_Hz": (True, None, 1e-3, 1e6),
    "current_margin_deg": (True, None, 1.0, 179.0),
    "current_magnitude_optimum": (False, None, None, None),
    "current_symmetrical_optimum": (False, 2.0, 1.05, 100.0),
    "speed_crossover_Hz": (True, None, 1e-3, 1e5),
    "speed_margin_deg": (True, None, 1.0, 179.0),
    "speed_magnitude_optimum": (False, None, None, None),
    "speed_symmetrical_optimum": (False, 2.0, 1.05, 100.0),
}


class WantedError(ValueError):
    """A wish that cannot be read or reached: one sentence."""


@dataclass(frozen=True, eq=False)
class Suggestion:
    """What was asked for, the tuning keys that give it, those of the scenario that they replace, the loop they lead to."""

    asked: str
    tuning: dict
    replaced: tuple
    loop: PredictedLoop

    @property
    def lines(self):
        """The keys as lines of a scenario file."""
        lines = ["[controller.tuning]", *(f"{key} = {value:.6g}" for key, value in self.tuning.items())]
        return lines + [f"# without {', '.join(self.replaced)}"] * bool(self.replaced)


def read_wish(text):
    """("rule" or "rule=value") => (rule, value or None). Raises WantedError."""
    name, equals, given = (part.strip() for part in text.partition("="))
    if name not in RULES:
        hint = did_you_mean(name, RULES, f"Known are {', '.join(RULES)}.")
        raise WantedError(f"--for {text}: there is no such rule. {hint}")
    needs, default, low, high = RULES[name]
    if not equals:
        if needs:
            raise WantedError(f"--for {name}: needs a value. Write --for {name}=60, for example.")
        return name, default
    if low is None:
        raise WantedError(f"--for {text}: {name} takes no value. Write --for {name}.")
    try:
        value = float(given)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise WantedError(f"--for {text}: must be a number from {low:g} to {high:g}. Change it.")
    return name, value


class Tuner:
    """(scenario, OperatingPoint, true flux law) => suggestions at that point. Speed rules need a speed loop."""

    def __init__(self, scenario, point, flux):
        self.scenario, self.point, self.flux = scenario, point, flux

    def suggest(self, rule, value):
        """(rule, value) => Suggestion. Raises WantedError where it cannot be reached."""
        of_speed = rule.startswith("speed")
        if of_speed and self.scenario.controller.mode != "speed":
            raise WantedError(f'--for {rule}: the scenario has no speed loop. Use it with controller.mode = "speed".')
        kind = rule.split("_", 1)[1]
        if kind in ("crossover_Hz", "margin_deg"):
            tuning = self._searched(rule, kind, value, of_speed)
        else:
            tuning = (self._speed_optimum if of_speed else self._current_optimum)(kind, value)
        tuning = {key: float(f"{number:.6g}") for key, number in tuning.items()}
        drive = self.drive(tuning, of_speed)
        asked = rule if value is None else f"{rule}={value:g}"
        replaced = tuple(key for key in self.scenario.controller.tuning if key in self._dropped(tuning, of_speed))
        return Suggestion(asked, tuning, replaced, predict_speed(drive) if of_speed else predict_current(drive))

    def _dropped(self, tuning, with_speed):
        """Keys of the scenario's tuning that contradict these."""
        drop = set(SPEED_KEYS if with_speed else CURRENT_KEYS) - set(tuning)
        return drop | {"active_resistance"} if "kp_d_V_per_A" in tuning else drop

    def drive(self, tuning, with_speed):
        """(tuning keys that replace all of their loop) => LinearDrive."""
        controller = self.scenario.controller
        drop = self._dropped(tuning, with_speed)
        kept = {key: given for key, given in controller.tuning.items() if key not in drop}
        changed = self.scenario.model_copy(update={"controller": controller.model_copy(update={"tuning": kept | tuning})})
        return linear_drive(changed, BuiltIn(changed), self.point, with_speed=with_speed, flux=self.flux)

    def _searched(self, rule, kind, value, of_speed):
        """The bandwidth at which crossover or phase margin is what is wanted."""
        key = "speed_bandwidth_Hz" if of_speed else "current_bandwidth_Hz"
        period = update_of(self.scenario)

        def miss(log_bandwidth):
            drive = self.drive({key: math.exp(log_bandwidth)}, of_speed)
            margins = speed_margins(drive) if of_speed else current_margins(drive)
            found = margins.crossover_Hz if kind == "crossover_Hz" else margins.phase_margin_deg
            return math.nan if found is None else found - value

        # Beyond a sixth of the update rate no loop with a dead time of one period is stable.
        grid = np.linspace(math.log(2e-5 / period), math.log(0.16 / period), 40)
        missed = np.array([miss(at) for at in grid])
        places = np.flatnonzero(np.sign(missed[:-1]) * np.sign(missed[1:]) < 0.0)
        if len(places) == 0:
            low, high = np.nanmin(missed) + value, np.nanmax(missed) + value
            unit = "Hz" if kind == "crossover_Hz" else "deg"
            raise WantedError(
                f"--for {rule}={value:g}: cannot be reached here; by the bandwidth alone it goes from {low:.3g} to {high:.3g} "
                f"{unit}. Choose a value between."
            )
        k = int(places[-1])
        return {key: math.exp(brentq(miss, grid[k], grid[k + 1], xtol=1e-7))}

    def _current_optimum(self, kind, a):
        drive = self.drive({}, False)
        small_s = small_times_current(drive)
        if kind == "magnitude_optimum":
            return {"current_bandwidth_Hz": 1.0 / (4.0 * math.pi * small_s)}
        kp = np.diag(drive.winding.inductance_H) / (a * small_s)
        ki = kp / (a * a * small_s)
        return {"kp_d_V_per_A": kp[0], "kp_q_V_per_A": kp[1], "ki_d_V_per_As": ki[0], "ki_q_V_per_As": ki[1]}

    def _speed_optimum(self, kind, a):
        drive = self.drive({}, True)
        small_s, inertia = small_times_speed(drive), drive.shaft.total_inertia_kg_m2
        if kind == "magnitude_optimum":
            return {"speed_kp_Nm_s": inertia / (2.0 * small_s), "speed_ki_Nm": 0.0, "speed_setpoint_weight": 1.0}
        kp = inertia / (a * small_s)
        # Without proportional action on the reference the step is that of a filter 1/(1 + a^2 T s) before it.
        return {"speed_kp_Nm_s": kp, "speed_ki_Nm": kp / (a * a * small_s), "speed_setpoint_weight": 0.0}


def small_times_current(drive):
    """(LinearDrive) => sum of the delays in the current loop [s]: computation, hold and filter."""
    filter_rad_s = drive.sensing.bandwidth_rad_s
    return drive.timing.dead_s + (1.0 / filter_rad_s if filter_rad_s > 0.0 else 0.0)


def small_times_speed(drive):
    """(LinearDrive with speed control) => sum of the delays around the inertia [s]: what a slow torque request lags behind."""
    unit = replace(drive, speed=replace(drive.speed, kp=1.0, ki=0.0, damping_Nm_s=0.0))
    frequency_Hz = 1e-4 / drive.timing.update_s
    s = 2j * math.pi * frequency_Hz
    lag = speed_cut(unit)(np.array([frequency_Hz]))[0] * (s * drive.shaft.total_inertia_kg_m2 + drive.shaft.viscous_Nm_s)
    return max(-float(np.angle(lag)) / abs(s), drive.timing.update_s)
