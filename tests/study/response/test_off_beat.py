"""Steps that fall on different angles of the machine's ripple."""

import numpy as np
import pytest

from simcore.study.response.measure_current import STEP_REPEATS, off_beat


@pytest.mark.parametrize("beats", [0.0, 0.0123, 0.25, 1.7])
def test_ripple_averages_out_over_the_steps(beats):
    length = off_beat(200, beats)
    assert 200 <= length <= 300
    if beats in (0.0123, 1.7):
        # The mean of the steps' first harmonics of the beat.
        turns = np.exp(2j * np.pi * beats * length * np.arange(STEP_REPEATS))
        assert abs(turns.mean()) < 0.1


def test_a_standing_field_has_no_beat():
    assert off_beat(123, 0.0) == 123
