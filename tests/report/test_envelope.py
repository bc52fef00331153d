"""Long recordings on few pixels lose no spike."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from simcore.report.envelope import envelope, occurrences


@settings(max_examples=40, deadline=None)
@given(rows=st.integers(1, 20000), seed=st.integers(0, 2**31), gaps=st.floats(0, 0.9))
def test_extremes_and_order_survive(rows, seed, gaps):
    rng = np.random.default_rng(seed)
    values = rng.standard_normal(rows)
    values[rng.random(rows) < gaps] = np.nan
    time_s = np.arange(rows) * 1e-4
    short_s, short = envelope(time_s, values, stretches=50)
    assert len(short) <= max(100, min(rows, 100)) and np.all(np.diff(short_s) >= 0)
    if np.isfinite(values).any():
        assert np.nanmin(short) == np.nanmin(values) and np.nanmax(short) == np.nanmax(values)


def test_one_row_of_a_code_among_a_million_is_seen():
    codes = np.zeros(1_000_000)
    codes[654_321] = 2
    time_s = np.arange(len(codes)) * 5e-5
    ((begin, length),) = occurrences(time_s, 50.0, codes, 2)
    assert begin <= time_s[654_321] < begin + length and length < 0.1
    spans = occurrences(time_s[:5], 1.0, [0, 2, 2, 0, 2], 2)
    np.testing.assert_allclose(spans, [(5e-5, 1e-4), (2e-4, 1.0 - 2e-4)])
    assert occurrences(time_s[:5], 1.0, [0, 2, 2, 0, 2], 5) == []
