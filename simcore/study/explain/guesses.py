"""First guesses: from measured signals alone, as on hardware, and from what only a simulation knows."""

import math

from simcore.study.explain.balance import measured_balance
from simcore.study.explain.causes import BY_KEY
from simcore.study.explain.fitting import TWINS, Leftover
from simcore.study.explain.guess import Guess, MeasuredGuesses
from simcore.study.explain.noise import noise_guess
from simcore.study.explain.search import together

_PERIODIC_SEEN = 1e-4  # of the voltage; less is below what a drive can be known to
_MUCH_NOISE = 8.0
_FITTED = 0.03  # of what the corrections take out: so much they may leave at high orders
_LEAST_FIRST = 0.5


def measured_guesses(recording, windows):
    """(recording, SteadyWindows) => MeasuredGuesses from measured currents, angle, link voltage and commanded duties."""
    if recording.scenario.record_every != 1:
        return MeasuredGuesses([], "rows are farther apart than ticks: set run.record_every = 1 to guess from measured signals")
    balances = [balance for window in windows if (balance := measured_balance(recording, window)) is not None]
    if not balances:
        return MeasuredGuesses([], "there is no steady window to guess from")
    leftover = Leftover(balances)
    noise = _noise(leftover, leftover.broad)
    if leftover.periodic_share < _PERIODIC_SEEN or not leftover.significant:
        none = "" if noise else "the machine's voltage equation closes: nothing is seen to be wrong"
        return MeasuredGuesses(noise, none, max(leftover.periodic_share, leftover.broad_share))
    alone, fits = together(leftover)
    guesses = [_guess(fit, leftover) for fit in fits]
    first = _noise_first(leftover, alone[0])
    if not first:
        noise = _noise(leftover, leftover.broad_after(fits), _FITTED * leftover.periodic_share)
    rivals = [fit for fit in alone if fit.correction.cause not in _same(guesses[0].cause.key)]
    next_best = (BY_KEY[rivals[0].correction.cause], rivals[0].explained) if rivals and not first else None
    return MeasuredGuesses([*noise, *guesses] if first else [*guesses, *noise], "", leftover.periodic_share, next_best)


def _noise(leftover, parts, least=0.0):
    found = noise_guess(leftover, parts) if leftover.share_of_voltage(parts) > least else None
    return [Guess(BY_KEY[found[0]], found[1], math.nan)] if found else []


def _same(cause):
    return {cause, TWINS.get(cause)}


def _noise_first(leftover, best):
    """True where the orders are rather what noise and steps leave by chance than a cause of their own."""
    if leftover.broad_share < _MUCH_NOISE * leftover.periodic_share:
        return False
    # A count of an encoder shifts the mean by itself.
    coarse = leftover.balances[0].position.kind == "encoder" and best.correction.cause == "angle_offset"
    return best.explained < _LEAST_FIRST or best.correction.cause == "emf_harmonics" or coarse


def _guess(fit, leftover):
    key = fit.correction.cause
    twin = TWINS.get(key)
    if twin and not _all_legs_switch(leftover):
        twin = None
    size = fit.correction.size(leftover.balances[0], fit.numbers)
    return Guess(BY_KEY[key], size, fit.explained, BY_KEY[twin] if twin else None)


def _all_legs_switch(leftover):
    """Dead time spares a leg that does not switch: with a clamping modulator the two are told apart."""
    return all(bool(((b.duties > 0.0) & (b.duties < 1.0)).all()) for b in leftover.balances)
