"""The mixing function of the noise against the published generator it is taken from."""

import numpy as np

from simcore.sensing.noise import GOLDEN, mix


def test_the_first_numbers_of_splitmix64():
    """Seed 1234567, as given with the public-domain reference of SplitMix64 (Steele, Lea, Flood 2014; from memory)."""
    expected = [6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821]
    state, found = 1234567, []
    for _ in expected:
        state = (state + int(GOLDEN)) % 2**64
        found.append(int(mix(np.uint64(state))))
    assert found == expected
