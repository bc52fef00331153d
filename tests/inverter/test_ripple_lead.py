"""By how much switched legs lead their mean inside a tick, against their own square waves summed up."""

import numpy as np
import pytest

from simcore.inverter.losses import ripple_volt_seconds

VDC, TICK_S, GRID = 400.0, 50e-6, 20_000
CLARKE = 2.0 / 3.0 * np.exp(2j * np.pi / 3.0 * np.arange(3))


@pytest.mark.parametrize("odd", [0, 1])
@pytest.mark.parametrize("share", [0.15, 0.4, 0.62, 0.9])
@pytest.mark.parametrize("duties", [(0.8, 0.55, 0.1), (0.25, 0.3, 0.95)])
def test_volt_seconds_ahead_of_the_mean(duties, share, odd):
    """An upper switch is on for the first part of an even tick, for the last part of an odd one."""
    at = (np.arange(GRID) + 0.5) / GRID
    on = np.array([at > 1.0 - duty if odd else at < duty for duty in duties])
    ahead = (on - np.array(duties)[:, None])[:, at < share].sum(axis=1) * VDC * TICK_S / GRID
    alpha, beta = ripple_volt_seconds(np.array(duties), share, odd, VDC, TICK_S)
    assert alpha + 1j * beta == pytest.approx(np.dot(CLARKE, ahead), abs=1e-3 * VDC * TICK_S)
