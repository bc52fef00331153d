"""Noise of the sensors: normal, independent over ticks and channels, repeatable by seed.

Statistics by scipy (Kolmogorov and Smirnov's test, moments); bounds are four standard errors of the estimate.
"""

import math
from functools import cache

import numpy as np
import pytest
from listener import listen
from scipy import stats

RMS_A = 2.0
CURRENTS = ("controller_ia_A", "controller_ib_A", "controller_ic_A")


@cache
def draws(seed=1, duration_s=0.2, **settings):
    """Noise of three current sensors without current => array (4000, 3) [A]."""
    recording = listen(
        inverter={"update": settings.pop("update", "double")},
        sensors={"current": {"noise_rms_A": RMS_A, **settings}},
        run={"duration_s": duration_s, "seed": seed},
    )
    return np.column_stack([recording[name] for name in CURRENTS])


@pytest.mark.parametrize("channel", range(3))
def test_current_noise_is_normal(verified, channel):
    noise = draws()[:, channel]
    count = len(noise)
    assert count == 4000
    assert stats.kstest(noise, "norm", args=(0.0, RMS_A)).pvalue > 0.01
    assert abs(np.mean(noise)) < 4.0 * RMS_A / math.sqrt(count)
    slack = 4.0 * RMS_A / math.sqrt(2.0 * count)
    verified("rms of a current sensor's noise of 2 A, 4000 ticks", "as set, worst of three", RMS_A, np.std(noise), slack, "A")
    assert abs(stats.kurtosis(noise)) < 4.0 * math.sqrt(24.0 / count)
    assert abs(stats.skew(noise)) < 4.0 * math.sqrt(6.0 / count)


def test_channels_and_ticks_are_independent():
    """No correlation between channels, nor over 1 to 20 ticks, nor of squares (Box and Muller's pair shares a radius)."""
    noise = draws() / RMS_A
    bound = 4.0 / math.sqrt(len(noise))
    for power in (1, 2):
        values = noise**power - np.mean(noise**power)
        values /= np.std(values)
        for a in range(3):
            for b in range(3):
                for lag in range(21):
                    if a == b and lag == 0:
                        continue
                    assert abs(np.mean(values[lag:, a] * values[: len(values) - lag, b])) < bound, (power, a, b, lag)


def test_same_seed_same_bits_other_seed_other_noise():
    again = listen(sensors={"current": {"noise_rms_A": RMS_A}}, run={"duration_s": 0.2, "seed": 1})
    assert np.array_equal(draws(), np.column_stack([again[name] for name in CURRENTS]))
    bound = 4.0 / math.sqrt(4000)
    for seed in (0, 2, 3, 2**40):
        other = draws(seed=seed)
        assert not np.any(other == draws())
        for lag in range(-3, 4):
            shifted = np.roll(other, lag, axis=0)
            for channel in range(3):
                assert abs(np.corrcoef(shifted[:, channel], draws()[:, channel])[0, 1]) < bound


def test_noise_belongs_to_the_tick_not_to_the_way_of_running():
    """A longer run begins the same; single update sees the even ticks of double update."""
    assert np.array_equal(draws(duration_s=0.05), draws()[:1000])
    single = draws(update="single")
    assert np.array_equal(single[::2], draws()[::2])


def test_two_sensors_share_their_noise_with_the_third():
    noise = draws(phases="ab")
    assert noise[:, 2] == pytest.approx(-noise[:, 0] - noise[:, 1], abs=1e-12)
    assert np.std(noise[:, 2]) == pytest.approx(RMS_A * math.sqrt(2.0), rel=0.05)


def test_noise_of_different_sensors_is_independent():
    """Currents, link voltage and resolver draw from streams of their own."""
    recording = listen(
        sensors={
            "current": {"noise_rms_A": 1.0},
            "link_voltage": {"noise_rms_V": 1.0},
            "position": {"kind": "resolver", "noise_rms": 0.01, "tracking_natural_frequency_Hz": 3000.0},
        },
        run={"duration_s": 0.2},
    )
    voltage, angle = recording["controller_link_V"] - 400.0, recording["controller_angle_rad"]
    bound = 4.0 / math.sqrt(len(voltage))
    for lag in range(-5, 6):
        for name in CURRENTS:
            for other in (voltage, angle):
                assert abs(np.corrcoef(np.roll(recording[name], lag), other)[0, 1]) < 1.5 * bound


@cache
def _many():
    """Compiled: (seed, member, channel, array (n, 2)) => filled with the pairs of ticks 0 ... n-1."""
    from numba import njit

    from simcore.sensing.noise import normal_pair

    @njit
    def fill(seed, member, channel, pairs):
        for tick in range(len(pairs)):
            pairs[tick, 0], pairs[tick, 1] = normal_pair(seed, member, tick, channel)

    def many(seed, member, channel, count):
        pairs = np.empty((count, 2))
        fill(seed, member, channel, pairs)
        return pairs

    return many


def test_a_million_draws_have_normal_tails(verified):
    pairs = _many()(1, 0, 0, 500_000)
    assert np.all(np.isfinite(pairs))
    for limit in (3.0, 4.0):
        expected = 2.0 * stats.norm.sf(limit) * pairs.size
        found = np.count_nonzero(np.abs(pairs) > limit)
        what = f"noise draws beyond {limit:g} sigma of a million"
        verified(what, "normal distribution", expected, found, 4.0 * math.sqrt(expected))
    assert stats.kstest(pairs.ravel(), "norm").pvalue > 0.01
    quadrant = np.mean((pairs[:, 0] > 0) & (pairs[:, 1] > 0))
    assert quadrant == pytest.approx(0.25, abs=4.0 * math.sqrt(0.1875 / len(pairs)))


def test_seeds_members_and_channels_never_share_a_stream():
    """Neighbouring seeds, members and channels: all draws differ and none follows another, shifted or not."""
    many = _many()
    keys = [(1, 0, 0), (2, 0, 0), (1, 1, 0), (0, 1, 0), (1, 0, 1), (1, 0, 2), (1, 0, 3), (2**63 - 1, 0, 0)]
    streams = [many(*key, 20_000).ravel() for key in keys]
    everything = np.concatenate(streams)
    assert len(np.unique(everything)) == len(everything)
    bound = 4.5 / math.sqrt(len(streams[0]))
    for a in range(len(streams)):
        for b in range(a):
            assert abs(np.corrcoef(streams[a], streams[b])[0, 1]) < bound, (keys[a], keys[b])
