"""When switches change over: legs that leave averaged ticks, slow gates that reach into the next tick, settings leg by leg."""

import numpy as np
import pytest
from shared_records import record

from simcore.inverter.faulty import begin_faulty_tick
from simcore.inverter.gate_plan import choose_settings
from simcore.inverter.records import INVERTER, LEGS, NEVER, POWER, POWER_STATE
from simcore.inverter.switched import begin_switched_tick, enter_switched

TICK_S, DEAD_S = 50e-6, 2e-6


@pytest.mark.parametrize("odd", [0, 1])
def test_a_leg_that_leaves_averaged_ticks_stands_where_the_carrier_has_it(odd):
    """At the carrier's valley (even) every leg with a pulse is up, at its peak (odd) only one without a gap; the edge follows
    after the pulse, or after the gap."""
    inverter, legs, duties = record(INVERTER, tick_s=TICK_S, dead_time_s=DEAD_S), record(LEGS), np.array([0.0, 0.3, 1.0])
    enter_switched(legs, duties, odd)
    expected = [-1, -1, 1] if odd else [-1, 1, 1]
    assert list(legs["gate"]) == expected
    begin_switched_tick(inverter, legs, duties, odd)
    assert list(legs["gate"]) == expected and np.all(legs["gate_on_s"] == NEVER)
    assert legs["edge_s"] == pytest.approx([NEVER, (0.7 if odd else 0.3) * TICK_S, NEVER])


def test_a_slow_turn_off_goes_on_into_the_next_tick():
    """Off 60 us after an edge at the tick's start, a tick of 50 us: 10 us into the next; a turn-on of 53 us: 3 us."""
    legs = record(LEGS, command=(1, 1, 1), driven=(1, 0, 1, 0, 1, 0))
    legs["on_s"][:] = legs["off_s"][:] = NEVER
    legs["off_s"][0], legs["on_s"][3] = 60e-6, 53e-6
    begin_faulty_tick(record(INVERTER, tick_s=TICK_S, dead_time_s=DEAD_S), legs, np.array([1.0, 1.0, 1.0]), 0, 1)
    assert legs["off_s"] == pytest.approx([10e-6, NEVER, NEVER, NEVER, NEVER, NEVER])
    assert legs["on_s"] == pytest.approx([NEVER, NEVER, NEVER, 3e-6, NEVER, NEVER])


@pytest.mark.parametrize("currents, expected", [((250, 30, -280), [1, 0, 1]), ((-30, 290, -260), [0, 1, 1]),
                                                ((-250, 290, -40), [1, 1, 0])])  # fmt: skip
def test_each_leg_follows_the_size_of_its_own_current(currents, expected):
    """One rule: setting 1 above 200 A."""
    power, ps = record(POWER, rules=1, per_leg=1), record(POWER_STATE)
    power["rule"][0] = (200.0, np.inf, 0.0, -np.inf, np.inf, 0.0, -np.inf, np.inf, 0.0, 1)
    choose_settings(power, ps, *map(float, currents), 300.0, 400.0)
    assert list(ps["setting"]) == expected
