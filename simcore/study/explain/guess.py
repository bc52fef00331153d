"""What a guess from measured signals says."""

from dataclasses import dataclass

from simcore.study.explain.causes import Cause


@dataclass(frozen=True)
class Guess:
    """A likely cause: its size in words, what share of the unexplained orders it takes (nan: it makes none), and a twin that
    looks the same."""

    cause: Cause
    size: str
    share: float
    twin: Cause | None = None


@dataclass(frozen=True)
class MeasuredGuesses:
    """guesses: ranked. why_none: a sentence where there are none. leftover_share: what is left of the voltage equation, of
    the voltage. next_best: the first guess's nearest rival alone, (Cause, share) or None."""

    guesses: list
    why_none: str = ""
    leftover_share: float = 0.0
    next_best: tuple | None = None
