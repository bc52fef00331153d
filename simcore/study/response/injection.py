"""Running a scenario with something laid over it, and cutting the recording into periods."""

from dataclasses import dataclass

import numpy as np

from simcore.loop import Bench
from simcore.study.response.multisine import design, whole_turns

LOWEST_SHARE, HIGHEST_SHARE = 25.0, 20.0  # lines from the crossover over, to the crossover times
NYQUIST_SHARE = 0.45  # of the update rate, at most


# Orders of the electrical turn that sensors, dead time and the machine make; 24 and above only weakly.
_ORDERS = np.array([1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 18, 24, 30, 36])


@dataclass(frozen=True, eq=False)
class Plan:
    """Multisine about a crossover, and the speed at which the field turns whole times a period [rpm]."""

    multisine: object
    speed_rpm: float


def plan(update_s, crossover_Hz, speed_rpm, pole_pairs, inputs):
    """(update period, expected crossover, speed, pole pairs, number of inputs) => Plan."""
    per_rpm = pole_pairs / 60.0
    samples, turns_per_s, turns = whole_turns(update_s, crossover_Hz / LOWEST_SHARE, speed_rpm * per_rpm)
    highest = min(HIGHEST_SHARE * crossover_Hz, NYQUIST_SHARE / update_s)
    multisine = design(update_s, samples, highest, inputs, lift_below_Hz=crossover_Hz, avoid=turns * _ORDERS)
    return Plan(multisine, turns_per_s / per_rpm)


class Progress:
    """Several runs as one: tell(done share 0 to 1)."""

    def __init__(self, tell, runs):
        self._tell, self._runs, self._done = tell, runs, 0

    def run(self, scenario, controller=None):
        """Scenario => Recording; RunError as Bench.run raises it."""
        recording = Bench(scenario, controller=controller).run(self._step)
        self._done += 1
        return recording

    def _step(self, done_s, total_s):
        if self._tell is not None:
            self._tell(self._done + done_s / total_s, self._runs)


def at_updates(recording, name, update_s):
    """(Recording with rows every so many whole updates, signal) => its values at the updates that have a row (n,)."""
    return np.asarray(recording[name])[:: max(1, round(update_s / recording.row_s))]
