"""When faults act and what several of them make of one place: ticks counted by hand."""

from types import SimpleNamespace

import numpy as np
import pytest
from faulty import faulty_scenario, run

from simcore.safety.fault_places import compose
from simcore.safety.fault_times import active_count, spans


def fault(at_s, until_s=float("inf"), on_s=None, off_s=None, momentary=False):
    return SimpleNamespace(span_s=(at_s, until_s), on_s=on_s, off_s=off_s, momentary=momentary)


# Ticks of 50 us, a run of 100 of them.
@pytest.mark.parametrize(
    "given, per_update, expected",
    [
        (fault(0.001), 1, [(20, 100)]),
        (fault(0.001, 0.002), 1, [(20, 40)]),
        (fault(0.001024, 0.002026), 1, [(20, 41)]),
        (fault(0.0), 2, [(0, 100)]),
        (fault(0.00105, 0.00195), 2, [(22, 40)]),
        (fault(0.001, 0.5), 1, [(20, 100)]),
        (fault(0.006), 1, []),
        (fault(0.001, momentary=True), 2, [(20, 22)]),
        (fault(0.001, 0.002, on_s=0.0001, off_s=0.0003), 1, [(20, 22), (28, 30), (36, 38)]),
        (fault(0.004, on_s=0.0005, off_s=0.0001), 1, [(80, 90), (92, 100)]),
        (fault(0.001, 0.0025, on_s=0.001, off_s=0.0001), 1, [(20, 40), (42, 50)]),
    ],
)
def test_spans_in_ticks(given, per_update, expected):
    assert spans(given, 50e-6, per_update, 100) == expected


def test_the_count_of_active_faults():
    found = active_count([[(2, 5)], [], [(4, 6), (8, 9)]], np.arange(10))
    assert found.tolist() == [0, 0, 1, 1, 2, 1, 0, 0, 1, 0]


def test_faults_at_one_place_are_laid_over_its_healthy_value_and_what_is_set_wins():
    assert compose(2.0, []) == 2.0
    assert compose(2.0, [("add", 3.0), ("times", 4.0)]) == 20.0
    assert compose(2.0, [("set", 7.0), ("add", 3.0)]) == 7.0
    assert compose(2.0, [("add", 3.0), ("set", 7.0), ("set", 9.0)]) == 9.0


def test_overlapping_offsets_add_and_either_may_end_first():
    """2 A from tick 20 to 60, 3 A from 40 to 80; the sensor's own 1 A is there all the time."""
    recording = run(
        [
            {"kind": "current_sensor_offset", "phase": "a", "value_A": 2.0, "at_s": 0.001, "until_s": 0.003},
            {"kind": "current_sensor_offset", "phase": "a", "value_A": 3.0, "at_s": 0.002, "until_s": 0.004},
        ],
        sensors={"current": {"offset_A": [1.0, 0.0, 0.0]}},
        load={"kind": "locked"},
        controller={"mode": "voltage"},
        commands={"vd_V": 0.0, "vq_V": 0.0},
        machine={"magnet_flux_Wb": 1e-9},
        run={"duration_s": 0.005},
    )
    # At standstill d lies on phase a, which carries two thirds of its own offset.
    seen = 1.5 * recording["id_measured_A"]
    assert seen == pytest.approx(np.repeat([1.0, 3.0, 6.0, 4.0, 1.0], 20), abs=1e-6)
    assert recording["fault"].tolist() == [0] * 20 + [1] * 20 + [2] * 20 + [1] * 20 + [0] * 20


def test_a_fault_waits_for_the_next_update():
    """Single update: every second tick."""
    recording = run(
        [{"kind": "position_mounting_slip", "value_deg": 10.0, "at_s": 0.00105}],
        inverter={"update": "single"},
        run={"duration_s": 0.002},
    )
    error = recording["angle_error_deg"]
    assert error[:22] == pytest.approx(0.0, abs=1e-9) and error[22:] == pytest.approx(10.0, abs=1e-9)


def test_an_intermittent_fault_comes_and_goes():
    recording = run(
        [{"kind": "position_mounting_slip", "value_deg": 10.0, "at_s": 0.001, "on_s": 0.0002, "off_s": 0.0003}],
        run={"duration_s": 0.002},
    )
    expected = [0.0] * 20 + ([10.0] * 4 + [0.0] * 6) * 2
    assert recording["angle_error_deg"] == pytest.approx(np.array(expected), abs=1e-9)
    assert "acted from 0.001 s to 0.0012 s, from 0.0015 s to 0.0017 s." in recording.findings[-1]


def test_a_fault_that_lasts_from_the_first_tick():
    recording = run([{"kind": "supply_dip", "factor": 0.5, "at_s": 0.0}], run={"duration_s": 0.001})
    assert recording["link_voltage_V"] == pytest.approx(200.0, abs=1e-9)
    recording = run([{"kind": "command_lost", "command": "iq_A", "reads": "zero", "at_s": 0.0}], commands={"iq_A": 50.0})
    assert recording["iq_reference_A"] == pytest.approx(0.0, abs=1e-12)


def test_a_run_that_broke_off_before_tells_that_it_did_not_act():

    from controllers import Command, Controller
    from simcore import Bench, RunError

    class Gives(Controller):
        def reset(self, setup):
            pass

        def step(self, measured):
            if measured.time_s > 0.002:
                raise ValueError("enough")
            return Command(0.5, 0.5, 0.5)

    scenario = faulty_scenario([{"kind": "supply_dip", "factor": 0.5, "at_s": 0.004}], run={"duration_s": 0.01})
    with pytest.raises(RunError) as failed:
        Bench(scenario, Gives()).run()
    assert failed.value.recording.findings == (
        "Fault 1, supply_dip (factor = 0.5), did not act: the run ended before 0.004 s.",
    )


def test_spans_that_touch_by_rounding_leave_the_fault_in_place():
    """On and off for a tick each from the middle of a tick: halves round to even, so that it ends where it begins again."""
    fault = {"kind": "position_mounting_slip", "value_deg": 10.0, "at_s": 20.5 * 50e-6, "on_s": 50e-6, "off_s": 50e-6}
    recording = run([fault], run={"duration_s": 0.002})
    seen = recording["angle_error_deg"]
    assert np.array_equal(seen > 5.0, recording["fault"] == 1.0) and recording["fault"][20:].sum() > 15
