"""Which correction closes the voltage equation best: least squares on the orders of what is left over."""

import math
from dataclasses import dataclass, replace

import numpy as np

from simcore.study.explain.correction import Correction
from simcore.study.explain.corrections import corrections_for
from simcore.study.explain.corrections_voltage import POWER_STAGE
from simcore.study.explain.order_space import OrderSpace

_PRICE, _IMPLAUSIBLE = 0.005, 0.05  # in shares explained
_LEAST_GAIN, _NEEDED = 0.15, 50.0  # to be picked, of what is left; to stay, in weighted power
_TRUST = 0.05  # what has been taken out of an order is known to this share
_ABOVE_TRUST, _LEAST_SEEN = 4.0, 5e-5  # the latter of the voltage
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
    def worth(self):
        """What it explains, less a price for each unknown number, and for a sign that it cannot have."""
        price = _PRICE * self.correction.count + (0.0 if self.correction.plausible(self.numbers) else _IMPLAUSIBLE)
        return self.explained - price


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
        residuals = self._corrected(list(zip(picks, _split(numbers, picks), strict=True)))
        return np.concatenate([space.project(r) for space, r in zip(self.spaces, residuals, strict=True)])

    def broad_after(self, fits):
        """[Fit] => what no order holds (n,), one a window, when they are applied: high orders of a cause go with it."""
        residuals = self._corrected([(fit.correction, fit.numbers) for fit in fits])
        return [space.noise(r, space.project(r))[0] for space, r in zip(self.spaces, residuals, strict=True)]

    def fit(self, picks, weights=1.0):
        """(corrections, weight of each order) => their numbers together, and the amplitudes that are left."""
        scales = np.array([scale for pick in picks for scale in pick.scale(self.balances[0])])
        numbers = np.zeros(len(scales))
        left = self._after(picks, numbers)
        for _ in range(2 if len(scales) else 0):
            columns = []
            for k, scale in enumerate(scales):
                nudged = numbers.copy()
                nudged[k] += scale
                columns.append((self._after(picks, nudged) - left) * weights / scale)
            matrix = np.array(columns).T
            tall = np.concatenate((matrix.real, matrix.imag)) * scales
            right = -np.concatenate(((left * weights).real, (left * weights).imag))
            numbers = numbers + scales * np.linalg.lstsq(tall, right, rcond=1e-10)[0]
            left = self._after(picks, numbers)
        return numbers, left

    def alone(self):
        """=> Fit of each correction that applies, the best first."""
        fits = []
        for correction in self.corrections:
            numbers, left = self.fit([correction])
            fits.append(Fit(correction, numbers, 1.0 - _power(left) / self.power))
        return sorted(fits, key=lambda fit: -fit.worth)

    def together(self, first, most=5):
        """(best correction alone) => the few that close the equation together, each Fit with its share, the largest first.

        Picked one after the other; then those are dropped again that later ones have made needless. An order counts by what
        is left of it against noise and against what the causes found so far can be trusted to there, so that a small cause
        with an order of its own is found beside a large one.
        """
        picked, left = [first], self.fit([first])[1]
        while len(picked) < most:
            weights = self._weights(left)
            if np.max(np.abs(left * weights)) < _ABOVE_TRUST:
                break
            barred = {cause for one in picked for cause in (one.cause, TWINS.get(one.cause))}
            trials = [self._trial(picked, c, weights) for c in self.corrections if c.cause not in barred]
            power, best, after = min(trials, key=lambda trial: trial[0])
            if 1.0 - power / _power(left * weights) < _LEAST_GAIN:
                break
            picked, left = [*picked, best], after
        while len(picked) > 1:
            weights = self._weights(left)
            without = [self.fit([one for one in picked if one is not gone], weights)[1] for gone in picked]
            k = int(np.argmin([_power(one * weights) for one in without]))
            if _power(without[k] * weights) - _power(left * weights) > _NEEDED:
                break
            picked = [one for one in picked if one is not picked[k]]
            left = self.fit(picked)[1]
        return self._with_shares(picked)

    def _trial(self, picked, correction, weights):
        """=> weighted power left with one correction more (infinite where a size cannot be), the correction, what is left."""
        together = [*picked, correction]
        numbers, left = self.fit(together, weights)
        possible = all(one.plausible(own) for one, own in zip(together, _split(numbers, together), strict=True))
        return (1.0 + _PRICE * correction.count) * _power(left * weights) if possible else math.inf, correction, left

    def _weights(self, left):
        """Of each order: one over noise and the trust in what has been taken out of it."""
        return 1.0 / (self.noise_V + _TRUST * np.abs(self.amplitudes - left) + _LEAST_SEEN * self.voltage_V)

    def _with_shares(self, picked):
        if not picked:
            return []
        numbers, left = self.fit(picked)
        parts = _split(numbers, picked)
        lost = [
            _power(self.fit([one for one in picked if one is not gone])[1]) - _power(left) if len(picked) > 1 else self.power
            for gone in picked
        ]
        explained = (1.0 - _power(left) / self.power) / max(sum(lost), 1e-300)
        fits = [Fit(one, part, explained * share) for one, part, share in zip(picked, parts, lost, strict=True)]
        return sorted(fits, key=lambda fit: -fit.explained)


def _split(numbers, picks):
    """Numbers of several corrections => those of each."""
    return np.split(numbers, np.cumsum([one.count for one in picks])[:-1]) if picks else []


def _power(amplitudes):
    return float(np.sum(np.abs(amplitudes) ** 2))
