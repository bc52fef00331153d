"""Frequency response and coherence from periods: known systems, known noise."""

import numpy as np
import pytest

from simcore.study.response.estimate import estimate, spectra
from simcore.study.response.multisine import design, whole_turns


def test_a_known_response_comes_back():
    multisine = design(1e-4, 1000, 4000.0, 2, realisations=3, lift_below_Hz=500.0)
    found = []
    for number in (0, 1):
        lines = multisine.lines[number]
        assert np.all(np.diff(lines) > 0) and lines[-1] * 10 <= 4000
        signal = np.concatenate([np.tile(one[number], 2) for one in multisine.signals])
        # y[k] = 0.5 y[k-1] + x[k-1], settled by the second period.
        answer = np.zeros_like(signal)
        for k in range(1, len(signal)):
            answer[k] = 0.5 * answer[k - 1] + signal[k - 1]
        used = [1, 3, 5]
        seen = estimate(*(spectra(one, 1000, lines, used) for one in (answer, signal)))
        z = np.exp(2j * np.pi * multisine.frequency_Hz(number) * 1e-4)
        assert seen.response == pytest.approx(1.0 / (z - 0.5), rel=1e-9)
        assert seen.coherence == pytest.approx(np.ones(len(lines)), abs=1e-9)
        found.append(set(lines.tolist()))
    assert not found[0] & found[1]


def test_coherence_and_deviation_of_noise():
    # Signal and noise of equal power at a line: coherence 1/2, relative deviation sqrt(1/(2 n)) (Bendat, Piersol, from memory).
    draw = np.random.default_rng(5)
    blocks, lines = 4000, 30
    stimulus = np.ones((blocks, lines), dtype=complex)
    noise = (draw.standard_normal((blocks, lines)) + 1j * draw.standard_normal((blocks, lines))) / np.sqrt(2.0)
    found = estimate(3.0 * (stimulus + noise), stimulus)
    assert found.coherence.mean() == pytest.approx(0.5, abs=0.01)
    assert found.deviation.mean() == pytest.approx(np.sqrt(0.5 / blocks), rel=0.03)
    # The deviation told is the one that the estimates show, of magnitude or phase.
    assert np.std(np.angle(found.response)) == pytest.approx(found.deviation.mean(), rel=0.4)


def test_lines_keep_clear_of_the_machines_orders():
    multisine = design(1e-4, 2000, 4000.0, 1, avoid=7 * np.array([1, 2, 6]))
    assert not set(multisine.lines[0].tolist()) & {7, 14, 42}


@pytest.mark.parametrize(("turns_per_s", "longest"), [(137.0, 1.0), (-137.0, 1.0), (9.0, 6.5)])
def test_a_period_holds_whole_turns(turns_per_s, longest):
    samples, at, turns = whole_turns(1e-4, 20.0, turns_per_s)
    assert turns >= 1 and at * samples * 1e-4 == pytest.approx(np.sign(turns_per_s) * turns, abs=1e-12)
    assert at == pytest.approx(turns_per_s, rel=2e-3) and samples * 1e-4 <= longest / 20.0 * 1.6


def test_a_standing_field_changes_nothing():
    assert whole_turns(1e-4, 20.0, 0.0) == (500, 0.0, 0)
