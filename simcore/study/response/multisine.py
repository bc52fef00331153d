"""Multisine injection: sums of sines on whole multiples of one base frequency, even on a logarithmic scale.

Random-phase multisines, several realisations: J. Schoukens, R. Pintelon, System Identification: A Frequency Domain Approach,
2001 (from memory). With whole periods there is no leakage, so no window.
"""

import math
from dataclasses import dataclass

import numpy as np

PER_DECADE = 16  # lines of one input
LONGEST = 6.0
_DRAWS = 40  # phases tried for a low crest factor


@dataclass(frozen=True, eq=False)
class Multisine:
    """Lines (whole multiples of 1/(period x sample)) of each input, which share no line.

    samples: of one period. lines: one array a input. signals: (realisations, inputs, samples), peak 1.
    """

    sample_s: float
    samples: int
    lines: tuple
    signals: np.ndarray

    @property
    def period_s(self):
        """Length of one period [s]."""
        return self.samples * self.sample_s

    def frequency_Hz(self, number):
        """Input => its frequencies (lines,) [Hz]."""
        return self.lines[number] / self.period_s


def design(sample_s, samples, highest_Hz, inputs=1, *, lift_below_Hz=0.0, avoid=(), realisations=4, seed=1):
    """(sample time, samples a period, highest frequency) => Multisine.

    avoid: lines left to the machine's own orders. Inputs take turns along the lines. Lines below lift_below_Hz get more, up to
    fourfold: there a closed loop leaves little of its error to see.
    """
    highest = min(int(highest_Hz * samples * sample_s), (samples - 1) // 2)
    count = max(2, math.ceil(inputs * PER_DECADE * math.log10(max(highest, 2))))
    wanted = np.unique(np.rint(np.geomspace(1, max(highest, 2), 3 * count)).astype(int))
    chosen = _thinned(wanted[~np.isin(wanted, avoid)], count)
    lines = tuple(chosen[k::inputs] for k in range(inputs))
    draw = np.random.default_rng(seed)
    lift = [np.clip(np.sqrt(lift_below_Hz * samples * sample_s / part), 1.0, 4.0) for part in lines]
    signals = np.array(
        [[_quiet_sum(draw, samples, part, up) for part, up in zip(lines, lift, strict=True)] for _ in range(realisations)]
    )
    return Multisine(sample_s, samples, lines, signals)


def _thinned(wanted, count):
    """About `count` of the rising lines, even on a logarithmic scale; the lowest ones stand close enough by themselves."""
    kept, ratio = [int(wanted[0])], (wanted[-1] / wanted[0]) ** (1.0 / max(count - 1, 1))
    for line in wanted[1:]:
        if line >= kept[-1] * ratio - 0.5:
            kept.append(int(line))
    return np.array(kept)


def _quiet_sum(draw, samples, lines, amplitudes):
    """Sines with random phases, the draw with the lowest peak; scaled to a peak of 1 (samples,)."""
    best, lowest = None, math.inf
    for _ in range(_DRAWS):
        spectrum = np.zeros(samples // 2 + 1, dtype=complex)
        spectrum[lines] = amplitudes * np.exp(2j * np.pi * draw.random(len(lines)))
        signal = np.fft.irfft(spectrum, samples)
        peak = float(np.max(np.abs(signal)))
        if peak < lowest:
            best, lowest = signal / peak, peak
    return best


def whole_turns(sample_s, lowest_Hz, turns_per_s):
    """(sample time, base frequency wanted, turns a second) => samples a period, turns a second to go at, turns in a period.

    The field turns a whole number of times in a period, so that what the machine does by order falls on lines of its own; for
    a slow one the period is made longer, up to LONGEST times.
    """
    samples = max(16, math.ceil(1.0 / (lowest_Hz * sample_s)))
    in_period = abs(turns_per_s) * samples * sample_s
    if in_period < 1.0 / LONGEST:
        return samples, turns_per_s, 0
    turns = max(1, round(in_period))
    samples = max(16, round(turns / (abs(turns_per_s) * sample_s)))
    return samples, math.copysign(turns / (samples * sample_s), turns_per_s), turns
