"""Dead-time compensation: each leg gets back the mean error that its dead time takes.

The error is Td fs sign(i) of the link voltage: S.-G. Jeong, M.-H. Park, IEEE Trans. Ind. Electron. 38(2), 1991 (from memory).
It is the same duty at both ticks of a carrier period, whether one update serves one tick or two.
Checked: tests/controllers/test_dead_time_compensation.py.
"""

import math

from simcore.kernel import inlined, kernel
from simcore.rotation import HALF_SQRT3


@inlined
def compensated(p, duty, current_A):
    """(duty of a leg, its current when the duty acts) => duty raised in the direction of the current; clamped legs stay."""
    if not 0.0 < duty < 1.0:
        return duty
    size = math.sqrt(current_A * current_A + p.compensation_band_A * p.compensation_band_A)
    return min(max(duty + p.compensation_duty * (current_A / max(size, 1e-300)), 0.0), 1.0)


@kernel
def compensate_legs(p, c, i_alpha, i_beta):
    """(current vector in the stator frame when the duties act [A]) => the command's duties, compensated."""
    c.duty_a = compensated(p, c.duty_a, i_alpha)
    c.duty_b = compensated(p, c.duty_b, -0.5 * i_alpha + HALF_SQRT3 * i_beta)
    c.duty_c = compensated(p, c.duty_c, -0.5 * i_alpha - HALF_SQRT3 * i_beta)
