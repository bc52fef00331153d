"""Yield intervals, rank correlation and first-order indices against published numbers and closed forms."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.stats import qmc

from simcore.study.tolerance.statistics import drivers, first_order_index, rank_correlation, yield_interval


def test_interval_of_a_yield_without_failures_is_the_closed_form(verified):
    # C. J. Clopper, E. S. Pearson, Biometrika 26, 1934: with no failure in n the lower limit is (alpha/2)^(1/n).
    low, high = yield_interval(20, 20)
    source = "Clopper and Pearson, 1934: (alpha/2)^(1/n)"
    verified("lower limit of the yield, 20 of 20 draws passed, 95 %", source, 0.025 ** (1 / 20), low, 1e-12)
    assert high == 1.0
    assert yield_interval(0, 20) == (0.0, pytest.approx(1.0 - 0.025 ** (1 / 20)))


@pytest.mark.parametrize(("passed", "count"), [(1, 10), (7, 10), (93, 100), (999, 1000)])
def test_interval_covers_what_the_binomial_law_says(passed, count):
    # At the lower limit, as many passes or more have probability alpha/2; at the upper one as many or fewer.
    low, high = yield_interval(passed, count)
    assert stats.binom.sf(passed - 1, count, low) == pytest.approx(0.025, rel=1e-9)
    assert stats.binom.cdf(passed, count, high) == pytest.approx(0.025, rel=1e-9)


def test_no_draws_say_nothing_of_the_yield():
    assert yield_interval(0, 0) == (0.0, 1.0)


def test_rank_correlation_is_scipy_s_also_with_ties():
    random = np.random.default_rng(3)
    x, y = random.normal(size=200), random.normal(size=200)
    for a, b in ((x, y), (x, x + y), (np.round(x), np.round(x + y)), (x, -np.exp(x))):
        assert rank_correlation(a, b) == pytest.approx(stats.spearmanr(a, b).statistic, abs=1e-12)
    assert rank_correlation(x, np.ones(200)) == 0.0


def ishigami(points, a=7.0, b=0.1):
    x1, x2, x3 = math.pi * (2.0 * points.T - 1.0)
    return np.sin(x1) + a * np.sin(x2) ** 2 + b * x3**4 * np.sin(x1)


def test_first_order_indices_of_ishigami_s_function(verified):
    # T. Ishigami, T. Homma, ISUMA 1990: V1 = (1 + b pi^4/5)^2/2, V2 = a^2/8, V3 = 0, V = V1 + V2 + b^2 pi^8 (1/18 - 1/50).
    points = qmc.Sobol(3, rng=5).random_base2(13)
    y = ishigami(points)
    v1, v2 = 0.5 * (1.0 + 0.1 * math.pi**4 / 5.0) ** 2, 49.0 / 8.0
    whole = v1 + v2 + 0.01 * math.pi**8 * (1.0 / 18.0 - 1.0 / 50.0)
    for k, expected in enumerate((v1 / whole, v2 / whole, 0.0)):
        what = f"first-order index of parameter {k + 1} of Ishigami's function, 8192 draws"
        verified(what, "Ishigami and Homma, 1990 [M]", expected, first_order_index(points[:, k], y), 0.01)
    # The second parameter acts without any rank correlation.
    assert abs(rank_correlation(points[:, 1], y)) < 0.02


def test_first_order_indices_of_a_sum_are_the_shares_of_variance():
    random = np.random.default_rng(11)
    x = random.normal(size=(4000, 3)) * np.sqrt([6.0, 3.0, 1.0])
    found = [first_order_index(x[:, k], x.sum(axis=1)) for k in range(3)]
    assert found == pytest.approx([0.6, 0.3, 0.1], abs=0.03)


def test_an_index_of_few_values_uses_each_as_a_group():
    levels = np.tile([0.0, 1.0], 500)
    noise = np.random.default_rng(2).normal(size=1000)
    # A step of 2 between two equal halves has variance 1, the noise has 1.
    assert first_order_index(levels, 2.0 * levels + noise) == pytest.approx(0.5, abs=0.05)
    assert first_order_index(np.zeros(1000), noise) == 0.0 == first_order_index(noise, np.ones(1000))


def test_few_draws_of_pure_chance_clear_no_driver():
    random = np.random.default_rng(8)
    clear = 0
    for _ in range(200):
        columns = {name: random.normal(size=60) for name in "abcde"}
        clear += any(one["clear"] for one in drivers(columns, random.normal(size=60)))
    # Stated: in about 1 of 100 studies.
    assert clear <= 12


def test_drivers_come_strongest_first_and_say_the_direction():
    random = np.random.default_rng(4)
    columns = {name: random.uniform(-1.0, 1.0, 800) for name in ("little", "none", "falls", "even")}
    y = 0.3 * columns["little"] - 2.0 * columns["falls"] + 3.0 * columns["even"] ** 2
    found = drivers(columns, y)
    assert [one["key"] for one in found] == ["falls", "even", "little", "none"]
    assert [one["clear"] for one in found] == [True, True, True, False]
    assert found[0]["rank_correlation"] < -0.6 and abs(found[1]["rank_correlation"]) < 0.15
    # Draws without a value are left out.
    y[::7] = math.nan
    assert [one["key"] for one in drivers(columns, y)][:2] == ["falls", "even"]
