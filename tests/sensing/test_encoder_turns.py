"""An encoder over whole turns: the same shaft position counts the same however it is split, an index mends every turn anew."""

import math

import numpy as np
import pytest
from shared_records import record

from simcore.sensing.encoder import passed, sense_encoder, start_encoder
from simcore.sensing.records import ENCODER, POSITION_SENSOR, SENSOR_STATE

TURN = 2.0 * math.pi


def encoder(**fields):
    return record(POSITION_SENSOR, kind=ENCODER, counts=4096.0, count_rad=TURN / 4096.0, **fields)


@pytest.mark.parametrize("turns", [-3.0, 0.0, 5.0])
def test_a_turn_too_many_in_the_angle_is_one_more_in_the_turns(turns):
    """Between two samples the angle may already lie beyond a whole turn."""
    beyond, within = passed(encoder(), turns, TURN + 0.1), passed(encoder(), turns + 1.0, 0.1)
    assert beyond == within
    assert within[0] == 4096.0 * (turns + 1.0) + math.floor(4096.0 * 0.1 / TURN)


@pytest.mark.parametrize("direction", [1.0, -1.0])
def test_lost_counts_are_given_back_at_every_index(direction):
    """Three counts lost a turn, six turns either way in steps of a tenth: never more than one turn's loss and one count off."""
    sensor, state = encoder(lost_counts=3.0, index=1), record(SENSOR_STATE)
    start_encoder(sensor, state, 0.3, 0.0)
    angle = 0.3
    for _ in range(60):
        angle += direction * 0.1 * TURN
        state["turns"] = math.floor(angle / TURN)
        told, _ = sense_encoder(sensor, state, angle - TURN * state["turns"], 1e-3)
        error = np.angle(np.exp(1j * (told - angle)))
        assert abs(error) < 4.001 * TURN / 4096.0
