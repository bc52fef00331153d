"""What draws say: the yield with its interval, and how much each parameter has to do with a measure."""

import math

import numpy as np

CONFIDENCE = 0.95


def yield_interval(passed, count, confidence=CONFIDENCE):
    """(draws that passed, draws) => (low, high): the interval in which the true yield lies with this confidence.

    Exact binomial limits: C. J. Clopper, E. S. Pearson, Biometrika 26, 1934.  They hold for random draws; Sobol draws fill the
    space more evenly, so that their yield scatters less than the interval says.  Checked: tests/study/test_study_statistics.py.
    """
    from scipy.stats import beta

    if count == 0:
        return 0.0, 1.0
    tail = 0.5 * (1.0 - confidence)
    low = float(beta.ppf(tail, passed, count - passed + 1)) if passed > 0 else 0.0
    high = float(beta.ppf(1.0 - tail, passed + 1, count - passed)) if passed < count else 1.0
    return low, high


def rank_correlation(x, y):
    """(parameter (n,), measure (n,)) => Spearman's rank correlation, 0 where either is constant (C. Spearman 1904)."""
    from scipy.stats import rankdata

    a, b = rankdata(x) - 0.5 * (len(x) + 1), rankdata(y) - 0.5 * (len(y) + 1)
    size = math.sqrt(float(a @ a) * float(b @ b))
    return float(a @ b) / size if size > 0.0 else 0.0


def first_order_index(x, y):
    """(parameter (n,), measure (n,)) => share of the measure's variance that this parameter alone explains, 0 to 1.

    Var(E(y|x))/Var(y) of I. M. Sobol 1993, from the given draws: sorted by x they are cut into groups of equal size, E(y|x) is
    a straight line in each, and what chance alone explains is taken off as from an adjusted R^2 (H. Theil 1961; both from
    memory).
    Checked with Ishigami's function: tests/study/test_study_statistics.py.
    """
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    groups = _groups(x)
    count, freedom = len(y), freedom_of(x, groups)
    total = float(np.sum((y - y.mean()) ** 2)) if count else 0.0
    if len(groups) < 2 or count <= freedom or total <= 1e-24 * count * float(np.mean(y * y)):
        return 0.0
    left = sum(_left_by_a_line(x[group], y[group]) for group in groups)
    return min(max(1.0 - left / (count - freedom) * (count - 1) / total, 0.0), 1.0)


def _groups(x):
    """Rows sorted by x in groups of about equal size; few different values make a group each."""
    order = np.argsort(x, kind="stable")
    levels = np.unique(x)
    number = max(2, round(len(x) ** (1.0 / 3.0)))
    if len(levels) <= 2 * number:
        return [order[x[order] == level] for level in levels]
    return [part for part in np.array_split(order, number) if len(part)]


def freedom_of(x, groups):
    """(parameter, groups of rows) => numbers that the lines take from the draws: two a group, one where x is constant."""
    return sum(1 + bool(np.ptp(x[group])) for group in groups)


def _left_by_a_line(x, y):
    """(x (n,), y (n,)) => sum of squares that the best line leaves."""
    x, y = x - x.mean(), y - y.mean()
    size = float(x @ x)
    slope = float(x @ y) / size if size > 0.0 else 0.0
    return float(np.sum((y - slope * x) ** 2))


LEAST_INDEX = 0.05  # evenly spread draws may show as much without cause


def told_by_chance(x, parameters):
    """(parameter (n,), how many parameters) => (rank correlation, first-order index) that chance alone hardly exceeds.

    In 1 of 100 studies any parameter does: normal approximation of the rank correlation with variance 1/(n - 1) (M. G. Kendall,
    from memory) and of the index with variance 2 (freedom - 1)/n^2, shared among the parameters (Bonferroni).
    """
    from scipy.special import ndtri

    x = np.asarray(x, dtype=float)
    count, freedom = len(x), freedom_of(x, _groups(x))
    reach = float(ndtri(1.0 - 0.005 / max(parameters, 1)))
    index = 1.5 * reach * math.sqrt(2.0 * max(freedom - 1, 1)) / max(count, 1)
    return reach / math.sqrt(max(count - 1, 1)), max(index, LEAST_INDEX)


def drivers(columns, y):
    """({key: values (n,)}, measure (n,)) => the parameters from the strongest on.

    Each is a dict of key, rank_correlation, first_order_index and clear: False where chance alone may show as much.
    """
    y = np.asarray(y, dtype=float)
    use = np.isfinite(y)
    found = []
    for key, x in columns.items():
        x = np.asarray(x, dtype=float)[use]
        r, index = rank_correlation(x, y[use]), first_order_index(x, y[use])
        least_r, least_index = told_by_chance(x, len(columns))
        clear = bool(use.sum() >= 10 and (abs(r) > least_r or index > least_index))
        found.append({"key": key, "rank_correlation": r, "first_order_index": index, "clear": clear})
    return sorted(found, key=lambda one: (not one["clear"], -max(one["rank_correlation"] ** 2, one["first_order_index"])))
