"""Several imperfections at once: the few corrections that close the voltage equation together."""

import math

import numpy as np

from simcore.study.explain.corrections_voltage import POWER_STAGE
from simcore.study.explain.fitting import PRICE, TWINS, Fit, power_of, split

_LEAST_GAIN, _NEEDED = 0.15, 50.0  # to be picked, of what is left; to stay, in weighted power
_TRUST = 0.05  # what has been taken out of an order is known to this share
_ABOVE_TRUST, _LEAST_SEEN = 4.0, 5e-5  # the latter of the voltage
_MOST, _OF_A_CAUSE = 5, 3
_STARTS, _NEAR_BEST, _MUCH_BETTER, _MORE = 3, 0.5, 0.5, 2


def together(leftover):
    """Leftover => (Fits of each correction alone, the best first; Fits of the few that close it together, the largest first).

    Two causes together may look most like a third: where the best one's set does not close the equation, the sets that
    begin with its nearest rivals are tried too.
    """
    alone = leftover.alone()
    likely = _likely(alone)
    picked, left = _grown(leftover, alone[0].correction, likely)
    for rival in _rivals(alone):
        if _closed(leftover, left):
            break
        other, other_left = _grown(leftover, rival.correction, likely)
        if len(other) <= len(picked) + _MORE and power_of(other_left) < _MUCH_BETTER * power_of(left):
            picked, left = other, other_left
    return alone, _with_shares(leftover, picked)


def _likely(alone):
    """The best few of each cause: of ranges, places and lengths that only differ in one number."""
    found = []
    for fit in alone:
        if sum(fit.correction.cause == one.cause for one in found) < _OF_A_CAUSE:
            found.append(fit.correction)
    return found


def _rivals(alone):
    """The next best of other causes."""
    found, causes = [], {alone[0].correction.cause, TWINS.get(alone[0].correction.cause)}
    for fit in alone[1:]:
        if fit.plausible and fit.correction.cause not in causes and fit.worth > _NEAR_BEST * alone[0].worth:
            found.append(fit)
            causes |= {fit.correction.cause, TWINS.get(fit.correction.cause)}
    return found[: _STARTS - 1]


def _closed(leftover, left):
    return float(np.max(np.abs(left * _weights(leftover, left)))) < _ABOVE_TRUST


def _grown(leftover, first, likely):
    """(Leftover, correction, others) => those picked one after the other, less what later ones make needless; what is left.

    An order counts by what is left of it against noise and against what the causes found so far can be trusted to there, so
    that a small cause with an order of its own is found beside a large one.
    """
    picked = [first]
    numbers, left = leftover.fit(picked)
    while len(picked) < _MOST and not _closed(leftover, left):
        weights = _weights(leftover, left)
        barred = {cause for one in picked for cause in (one.cause, TWINS.get(one.cause))}
        trials = [_trial(leftover, picked, numbers, one, weights) for one in likely if one.cause not in barred]
        power, best, several, after = min(trials, key=lambda trial: trial[0])
        if 1.0 - power / power_of(left * weights) < _LEAST_GAIN:
            break
        picked, numbers, left = [*picked, best], several, after
    return _pruned(leftover, picked, left)


def _trial(leftover, picked, numbers, correction, weights):
    """=> weighted power left with one correction more (infinite where a size cannot be), it, all numbers, what is left."""
    several = [*picked, correction]
    if any(one.cause in POWER_STAGE for one in several):
        # By volts first: weighed by trust alone a drop that turns with the current's sign finds a wrong place.
        numbers, _ = leftover.fit(several, start=numbers)
    numbers, left = leftover.fit(several, weights, numbers)
    power = (1.0 + PRICE * correction.count) * power_of(left * weights)
    possible = all(one.plausible(own) for one, own in zip(several, split(numbers, several), strict=True))
    return power if possible else math.inf, correction, numbers, left


def _pruned(leftover, picked, left):
    while len(picked) > 1:
        weights = _weights(leftover, left)
        without = [leftover.fit([one for one in picked if one is not gone], weights)[1] for gone in picked]
        k = int(np.argmin([power_of(one * weights) for one in without]))
        if power_of(without[k] * weights) - power_of(left * weights) > _NEEDED:
            break
        picked = [one for one in picked if one is not picked[k]]
        left = leftover.fit(picked)[1]
    return picked, left


def _weights(leftover, left):
    """Of each order: one over noise and the trust in what has been taken out of it."""
    taken = _TRUST * np.abs(leftover.amplitudes - left)
    return 1.0 / (leftover.noise_V + taken + _LEAST_SEEN * leftover.voltage_V)


def _with_shares(leftover, picked):
    """Corrections => Fits: what all explain, shared out by what each one's absence would leave."""
    numbers, left = leftover.fit(picked)
    lost = [leftover.power]
    if len(picked) > 1:
        lost = [power_of(leftover.fit([one for one in picked if one is not gone])[1]) - power_of(left) for gone in picked]
    explained = (1.0 - power_of(left) / leftover.power) / max(sum(lost), 1e-300)
    parts = split(numbers, picked)
    fits = [Fit(one, part, explained * share) for one, part, share in zip(picked, parts, lost, strict=True)]
    return sorted(fits, key=lambda fit: -fit.explained)
