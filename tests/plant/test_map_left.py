"""A current that runs off its flux map: told while it is near, the end of the run beyond a fifth of the map's range."""

import numpy as np
import pytest

from simcore import RunError


def test_the_run_ends_a_fifth_of_the_range_beyond_the_map(run_scenario):
    """Held at standstill, 150 V along -q drive the current beyond any that the map was measured with, within 2 ms."""
    with pytest.raises(RunError, match="left the flux map") as ended:
        run_scenario(
            machine={"replace": True, "part": "motors/yard_tractor"}, load={"replace": True, "kind": "locked"},
            controller={"replace": True, "mode": "voltage"}, commands={"replace": True, "vq_V": -150.0, "vd_V": 0.0},
            run={"duration_s": 0.2},
        )  # fmt: skip
    recording = ended.value.recording
    measured = recording.scenario.machine.map_data.tables.iq_A
    beyond = (np.min(measured) - recording["iq_A"]) / np.ptp(measured)
    assert 0.1 < beyond[-1] < 0.25 and np.count_nonzero(beyond > 0.0) > 1
