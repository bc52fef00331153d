"""Taking a difference apart: the candidate that explains most is taken out, then the next, until only noise is left."""

from dataclasses import dataclass

import numpy as np

SEEN = 2e-5  # of a stage's own signal
_LEAST_SHARE = 0.02
_MOST = 3


@dataclass(frozen=True)
class Finding:
    """cause key, size in words, how large it is against its stage's signal, and the torque ripple it makes [Nm rms]."""

    cause: str
    size: str
    weight: float
    ripple_Nm: float = 0.0


@dataclass(frozen=True)
class Candidate:
    """What an imperfection would make of the true signals, its numbers fitted: the part (n,), and its size in words."""

    cause: str
    part: np.ndarray
    size: str


def fitted(values, columns):
    """(complex or real (n,), columns [(n,)] with real factors) => factors, their sum (n,)."""
    matrix = np.array(columns).T
    if np.iscomplexobj(values):
        tall, right = np.concatenate((matrix.real, matrix.imag)), np.concatenate((values.real, values.imag))
    else:
        tall, right = matrix, values
    factors = np.linalg.lstsq(tall, right, rcond=1e-12)[0]
    return factors, matrix @ factors


def share_of(values, part):
    """=> share of the power of values that the part explains."""
    power = float(np.sum(np.abs(values) ** 2))
    return 1.0 - float(np.sum(np.abs(values - part) ** 2)) / power if power > 0.0 else 0.0


def taken_apart(error, candidates, least):
    """(difference (n,), function that makes Candidates of it, rms that is nothing) => [Candidate], what is left (n,)."""
    picked = []
    power = float(np.sum(np.abs(error) ** 2))
    while len(picked) < _MOST and float(np.sqrt(np.mean(np.abs(error) ** 2))) > least:
        best = max(candidates(error), key=lambda one: share_of(error, one.part), default=None)
        if best is None or best.cause in [one.cause for one in picked]:
            break
        left = error - best.part
        if float(np.sum(np.abs(error) ** 2) - np.sum(np.abs(left) ** 2)) < _LEAST_SHARE * power:
            break
        picked.append(best)
        error = left
    return picked, error
