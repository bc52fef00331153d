"""Frequency response and coherence from whole periods of a recording.

H = sum(Y X*)/sum(X X*) and coherence |sum(Y X*)|^2/(sum |X|^2 sum |Y|^2) over periods and realisations; relative deviation
sqrt((1 - c)/(2 n c)): J. S. Bendat, A. G. Piersol, Random Data (from memory). Checked: tests/study/response/test_estimate.py.
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Estimate:
    """Response (lines,) of one signal to one input, coherence (lines,), relative standard deviation (lines,)."""

    response: np.ndarray
    coherence: np.ndarray
    deviation: np.ndarray


def spectra(signal, samples, lines, blocks):
    """(signal (n,), samples a period, lines, numbers of the periods to use) => amplitudes (blocks, lines)."""
    periods = np.stack([signal[b * samples : (b + 1) * samples] for b in blocks])
    return np.fft.rfft(periods - periods.mean(axis=1, keepdims=True), axis=1)[:, lines]


def estimate(answer, stimulus):
    """(amplitudes of the answer, of the stimulus (blocks, lines)) => Estimate."""
    cross = np.sum(answer * np.conj(stimulus), axis=0)
    power, seen = np.sum(np.abs(stimulus) ** 2, axis=0), np.sum(np.abs(answer) ** 2, axis=0)
    coherence = np.clip(np.abs(cross) ** 2 / np.maximum(power * seen, 1e-300), 0.0, 1.0)
    spread = np.sqrt((1.0 - coherence) / np.maximum(2.0 * len(answer) * coherence, 1e-300))
    return Estimate(cross / np.maximum(power, 1e-300), coherence, spread)
