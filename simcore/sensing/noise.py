"""Counter-based Gaussian noise: the same draw for the same (seed, member, tick, channel), whatever the order or the device.

Mixing function: G. L. Steele, D. Lea, C. H. Flood, 'Fast splittable pseudorandom number generators', OOPSLA 2014; normal
deviates: G. E. P. Box, M. E. Muller, Ann. Math. Stat. 29, 1958 (both from memory).  Checked: tests/sensing/test_noise.py.
"""

import math

import numpy as np

from simcore.kernel import inlined, kernel
from simcore.rotation import TWO_PI

GOLDEN = np.uint64(0x9E3779B97F4A7C15)
MIX_1 = np.uint64(0xBF58476D1CE4E5B9)
MIX_2 = np.uint64(0x94D049BB133111EB)
S27, S30, S31, S11 = np.uint64(27), np.uint64(30), np.uint64(31), np.uint64(11)
CHANNELS = np.uint64(8)
UNIT = 2.0**-53

CURRENT_AB, CURRENT_C, RESOLVER, LINK_VOLTAGE, TEMPERATURE, BURST_AB, BURST_C = 0, 1, 2, 3, 4, 5, 6


@inlined
def mix(word):
    """(64-bit word) => well-mixed 64-bit word."""
    word = (word ^ (word >> S30)) * MIX_1
    word = (word ^ (word >> S27)) * MIX_2
    return word ^ (word >> S31)


@kernel
def normal_pair(seed, member, tick, channel):
    """(seed, ensemble member, tick, channel 0..7) => two independent standard normal numbers."""
    stream = mix(np.uint64(seed) * GOLDEN + np.uint64(member) + GOLDEN)
    word = stream + (np.uint64(tick) * CHANNELS + np.uint64(channel)) * GOLDEN * np.uint64(2)
    first = mix(word + GOLDEN)
    second = mix(word + GOLDEN + GOLDEN)
    # 1 - u lies in (0, 1], so the logarithm is finite.
    radius = math.sqrt(-2.0 * math.log(1.0 - np.float64(first >> S11) * UNIT))
    angle = TWO_PI * (np.float64(second >> S11) * UNIT)
    return radius * math.cos(angle), radius * math.sin(angle)
