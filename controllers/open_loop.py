"""Open-loop voltage source: a voltage vector whose angle the controller integrates itself.  No position sensor is used."""

import math

from simcore.kernel import kernel
from simcore.rotation import wrap


@kernel
def turn_source(s, frequency_Hz, update_s):
    """(frequency at this update) => angle of the source now [rad], frequency a straight line since the update before.

    That makes a linear ramp exact: the angle is the integral of the frequency.  Checked: tests/controllers/test_open_loop.py.
    """
    if s.started:
        s.source_rad = wrap(s.source_rad + math.pi * update_s * (s.source_Hz + frequency_Hz))
    s.source_Hz = frequency_Hz
    return s.source_rad
