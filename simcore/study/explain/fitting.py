"""Which correction closes the voltage equation best: least squares on the orders of what is left over."""

from dataclasses import dataclass, replace

import numpy as np

from simcore.study.explain.correction import Correction
from simcore.study.explain.corrections import corrections_for
from simcore.study.explain.corrections_voltage import POWER_STAGE
from simcore.study.explain.order_space import OrderSpace

_STEPS, _STILL = 8, 0.95  # at most; one that gains less is the last
_SHARES, _WORSE = (1.0, 0.5, 0.25, 0.1), 1.05  # of a step, the first that does not lead away
PRICE = 0.005  # of an unknown number, in shares explained
# Alike in the currents and voltages of one carrier and one link voltage, unless legs are clamped.
TWINS = {"dead_time": "device_drop", "device_drop": "dead_time"}
_ABOVE_NOISE = 25.0  # in power


@dataclass(frozen=True)
class Fit:
    """A correction with its numbers: share of the leftover's power that it explains alone."""

    correction: Correction
    numbers: np.ndarray
    explained: float

    @property
    def plausible(self):
        """False for a sign or size that it cannot have."""
        return bool(self.correction.plausible(self.numbers))

    @property
    def worth(self):
        """What it explains, less a price for each unknown number."""
        return self.explained - PRICE * self.correction.count


class Leftover:
    """What the voltage equation leaves in some windows, by order."""

    def __init__(self, balances):
        self.balances = balances
        self.spaces = [OrderSpace(balance) for balance in balances]
        self.corrections = corrections_for(balances[0])
        residuals = [b.residual() for b in balances]
        parts = [space.project(r) for space, r in zip(self.spaces, residuals, strict=True)]
        noise = [space.noise(r, c) for space, r, c in zip(self.spaces, residuals, parts, strict=True)]
        self.amplitudes = np.concatenate(parts)
        self.broad = [left for left, _ in noise]
        self.power = float(np.sum(np.abs(self.amplitudes) ** 2))
        self.noise_V = np.concatenate([np.full(len(c), level) for c, (_, level) in zip(parts, noise, strict=True)])
        self.noise_power = float(np.sum(self.noise_V**2))
        self.voltage_V = float(np.sqrt(np.mean(np.abs(np.concatenate([b.u_V for b in balances])) ** 2)))

    @property
    def periodic_share(self):
        """Of the voltage: root of the orders' power."""
        return float(np.sqrt(self.power / len(self.balances))) / max(self.voltage_V, 1e-12)

    @property
    def broad_share(self):
        """Of the voltage: what no order holds, rms."""
        return self.share_of_voltage(self.broad)

    def share_of_voltage(self, parts):
        """[(n,)] volts of each window => rms over that of the voltage."""
        return float(np.sqrt(np.mean(np.abs(np.concatenate(parts)) ** 2))) / max(self.voltage_V, 1e-12)

    @property
    def significant(self):
        """True where the orders stand above noise."""
        return self.power > _ABOVE_NOISE * self.noise_power

    def _corrected(self, pairs):
        """(correction, its numbers) pairs => residuals, one a window: what is measured is put right first, then what depends
        on it."""
        pairs = sorted(pairs, key=lambda pair: pair[0].cause in POWER_STAGE)
        for balance in self.balances:
            for pick, own in pairs:
                balance = replace(balance, **pick.apply(balance, own))
            yield balance.residual()

    def _after(self, picks, numbers):
        """Amplitudes that are left when the corrections are applied."""
        residuals = self._corrected(list(zip(picks, split(numbers, picks), strict=True)))
        return np.concatenate([space.project(r) for space, r in zip(self.spaces, residuals, strict=True)])

    def broad_after(self, fits):
        """[Fit] => what no order holds (n,), one a window, when they are applied: high orders of a cause go with it."""
        residuals = self._corrected([(fit.correction, fit.numbers) for fit in fits])
        return [space.noise(r, space.project(r))[0] for space, r in zip(self.spaces, residuals, strict=True)]

    def fit(self, picks, weights=1.0, start=None):
        """(corrections, weight of each order, numbers to begin with) => their numbers together, and the amplitudes left."""
        scales = np.array([scale for pick in picks for scale in pick.scale(self.balances[0])])
        numbers = np.zeros(len(scales)) if start is None else np.concatenate((start, np.zeros(len(scales) - len(start))))
        left = self._after(picks, numbers)
        for _ in range(_STEPS if len(scales) else 0):
            step, power = self._step(picks, numbers, left, weights, scales), power_of(left * weights)
            for share in _SHARES:
                after = self._after(picks, numbers + share * step)
                if power_of(after * weights) < power:
                    numbers, left = numbers + share * step, after
                if power_of(after * weights) < _WORSE * power:
                    break
            if power_of(left * weights) > _STILL * power:
                break
        return numbers, left

    def _step(self, picks, numbers, left, weights, scales):
        """One step of Gauss and Newton; derivatives by a nudge of each number."""
        columns = []
        for k, scale in enumerate(scales):
            nudged = numbers.copy()
            nudged[k] += scale
            columns.append((self._after(picks, nudged) - left) * weights)
        matrix = np.array(columns).T
        tall = np.concatenate((matrix.real, matrix.imag))
        right = -np.concatenate(((left * weights).real, (left * weights).imag))
        return scales * np.linalg.lstsq(tall, right, rcond=1e-10)[0]

    def alone(self):
        """=> Fit of each correction that applies, the best first."""
        fits = []
        for correction in self.corrections:
            numbers, left = self.fit([correction])
            fits.append(Fit(correction, numbers, 1.0 - power_of(left) / self.power))
        return sorted(fits, key=lambda fit: (not fit.plausible, -fit.worth))


def split(numbers, picks):
    """Numbers of several corrections => those of each."""
    return np.split(numbers, np.cumsum([one.count for one in picks])[:-1]) if picks else []


def power_of(amplitudes):
    return float(np.sum(np.abs(amplitudes) ** 2))
